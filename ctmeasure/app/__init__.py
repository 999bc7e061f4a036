"""Use cases: window, command line and batch all call these."""
