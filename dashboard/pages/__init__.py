"""The pages, one file each; they do not know one another."""
