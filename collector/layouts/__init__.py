"""Where controllers keep what: the schema, the decoder (bytes in, values out, no I/O), examples."""
