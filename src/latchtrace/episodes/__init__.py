"""Room 4, episodes: groups lock events into chains and traces the origin of each."""
