"""Training: data loading, augmentation, the loop, thresholds, tracking."""
