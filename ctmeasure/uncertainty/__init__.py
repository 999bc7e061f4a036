"""Estimates, distributions, Monte Carlo and coverage intervals. Import the leaf module you need."""
