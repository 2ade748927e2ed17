"""One file a capture format; the registry in `capture/reader.py` names them."""
