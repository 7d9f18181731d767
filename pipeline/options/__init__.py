"""What may be built: systems and thicknesses, which homes may have them, and what they cost."""
