"""One module per page; each has ``show()``.

Not called ``pages``: Streamlit would take a folder of that name beside its script for pages of its own making.
"""
