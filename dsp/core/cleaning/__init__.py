"""What of a tom track is the drum's own ring and what is bleed, and the masks that follow from it."""
