"""How far the vehicle will go, and how sure that is."""
