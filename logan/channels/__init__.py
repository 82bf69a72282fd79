"""From signals with any name, unit and sign to canonical channels in SI."""
