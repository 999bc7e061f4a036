"""How well people place points: agreement, bias and spread, learning curves. Needs no reference to any ear."""
