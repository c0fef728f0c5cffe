"""Where the firings are."""
