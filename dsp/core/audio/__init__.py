"""What any of the others may need of plain audio: delays, rounding, filters, overviews."""
