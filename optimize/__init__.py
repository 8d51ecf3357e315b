"""Mechanics and decision: from `Back`, saddle and pad to the set-up. Pure functions of arrays."""
