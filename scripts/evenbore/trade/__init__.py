"""What the trade knows: note names, tuning, instrument families, scales."""
