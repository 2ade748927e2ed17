"""Answers for a million occasions at once, from columns; what they leave open is looked at one by one."""
