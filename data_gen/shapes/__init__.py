"""From a record to closed-form solids, and the truth that follows from them."""
