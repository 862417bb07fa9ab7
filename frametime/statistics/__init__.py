"""Small statistics that several parts share; scipy is imported by the call that needs it."""
