"""Starts the pages: `streamlit run app.py`. The command `mapper` does the same."""

from streamlit import App

from mapper.ui.server import app_parts

app = App(**app_parts())
