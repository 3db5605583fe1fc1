"""What ``pitmap review`` hands to Streamlit; the same page as ``app.py`` beside the package."""

from pitmap.review import run

run()
