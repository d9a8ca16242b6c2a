"""Photos in the record: pictures made small and free of location data, kept by content hash."""
