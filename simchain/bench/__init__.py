"""The bench: a local page on which orders are tried by hand and ear."""
