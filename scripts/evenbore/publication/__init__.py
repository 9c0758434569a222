"""What a reviewer publishes beside the main figures: a sheet per instrument, sentences to quote."""
