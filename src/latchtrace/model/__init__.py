"""The values that pass between rooms: frozen, slotted, typed, and without any behaviour of a room."""
