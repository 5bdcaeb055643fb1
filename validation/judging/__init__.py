"""Judging: an estimate against the plan's requirement. Knows limits, computes no estimate."""
