"""The review page: ``streamlit run app.py`` (or ``pitmap review``)."""

from pitmap.review import run

run()
