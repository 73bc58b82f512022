"""How a simulated controller is reached: one file a protocol, and one a memory map, packed by hand."""
