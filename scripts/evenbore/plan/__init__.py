"""Plans the recordings of a study: who is recorded when, blinded, and what that will be able to show."""
