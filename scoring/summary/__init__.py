"""Over several scans: what each board shows, which sites fail often, and what is too few to tell."""
