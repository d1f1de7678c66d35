"""From solids to what a scanner measures and a reconstruction shows."""
