"""Where forecasts come from. Each source turns what it gets into the one neutral form."""
