"""Turns results into plain data for screens and reports; computes no verdicts."""
