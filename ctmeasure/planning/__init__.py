"""From marks on a scan to measurands, holes, clearances, probabilities and lengths."""
