"""What the detectors say of the joints, what the scan can show, and what follows by the user's own limits."""
