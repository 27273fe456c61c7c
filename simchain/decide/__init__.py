"""What the user decides: orders compared."""
