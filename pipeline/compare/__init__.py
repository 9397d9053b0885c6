"""Statistics that compare vans: arrays in, frozen results out; no SQL, no files but the package's own tables."""
