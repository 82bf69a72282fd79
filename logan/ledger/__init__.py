"""Where the energy of a drive went."""
