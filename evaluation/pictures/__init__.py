"""Pictures of joints and of results."""
