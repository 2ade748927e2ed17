"""One file a rule pattern; each says what it means in temporal logic."""
