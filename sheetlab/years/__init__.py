"""The years: an archive of results, and what it says of the apparatus."""
