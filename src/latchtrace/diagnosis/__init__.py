"""Room 6, diagnosis: from findings to likely causes and function tests."""
