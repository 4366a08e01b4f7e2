"""Takes made by the program itself, with exact truth."""
