"""Signal conditioning that decides nothing: noise, baseline, clipping, block summaries."""
