"""What the cycles and curves say: pure functions over NumPy arrays, no I/O."""
