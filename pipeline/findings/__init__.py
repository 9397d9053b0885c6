"""What stands out, put into words: one finding per matter, best evidence first."""
