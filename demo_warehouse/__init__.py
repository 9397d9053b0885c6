"""A demo fleet: files as three readers and one office would have left them, with every planted effect listed."""

MARKER = ".kinbay-demo"  # a file of this name says that a folder was made by the demo and may be made again
