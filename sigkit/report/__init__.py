"""Tables, plots and the page."""
