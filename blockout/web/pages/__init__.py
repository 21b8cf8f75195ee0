"""The page: what a technician sees of a sitting. Nothing is worked out here."""
