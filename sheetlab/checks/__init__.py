"""Rules that look at readings and results and yield findings."""
