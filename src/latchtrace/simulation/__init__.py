"""Simulated cars that write captures with a known truth; shares no code with the analyser."""
