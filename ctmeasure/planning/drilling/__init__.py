"""Where a hole can go: directions, swept envelope, clearance, probability, verdict, map and pairs."""
