"""From a TAF and the latest report to what is expected. Pure."""
