"""The web workbench: one file a panel."""
