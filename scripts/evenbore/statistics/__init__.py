"""Statistics that several rooms need: means over groups, take offsets, Student's t, mixed models."""
