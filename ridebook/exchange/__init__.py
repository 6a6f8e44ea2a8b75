"""What other programs read and write."""
