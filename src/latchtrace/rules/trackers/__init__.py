"""One file for each stateful fact that no pattern can say."""
