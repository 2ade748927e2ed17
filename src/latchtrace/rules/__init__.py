"""Room 5, rules: judges events and episodes by rule files."""
