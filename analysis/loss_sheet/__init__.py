"""The shift loss sheet: one A4 page a shift, for the handover and the file."""
