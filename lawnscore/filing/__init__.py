"""A phone full of photos -> the folders of a round, with printed slips to tell them apart."""
