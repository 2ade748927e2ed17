"""Room 2, network: decodes frames by a DBC and lays their signals out in time."""
