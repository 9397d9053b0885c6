"""From readers' files to a published warehouse of what stands out."""
