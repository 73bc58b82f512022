"""One file a protocol; each only fetches blocks or messages; nothing in here can write to a controller."""
