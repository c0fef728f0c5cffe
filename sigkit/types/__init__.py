"""The things that travel between rooms: captures, channels, tables of firings and measurements."""
