"""A demo fleet: files as three readers and one office would have left them, with every planted effect listed."""
