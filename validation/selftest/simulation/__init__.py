"""Simulated studies of stated truth: the statistics of many studies at once, and how often each holds the truth."""
