"""One module per page; each has ``show()``."""
