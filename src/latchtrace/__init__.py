"""Reads CAN captures of central locking and keyless entry and says what the locks did, why, and what was wrong."""

__version__ = "0.1.0"
