"""Navigation between the pages; `programme dashboard --store ...` starts it."""

import streamlit as st

from dashboard.views import claim, cost, data_report, funding, homes, screens, what_if

st.set_page_config(page_title="Retrofit programme", layout="wide")
st.html(
    "<style>.stMainBlockContainer {padding-top: 4rem; padding-bottom: 3rem}"
    " [data-testid=stCaptionContainer], [data-testid=stCaptionContainer] * {opacity: 1;"
    " color: inherit !important}"
    " .stTable td div {max-width: none !important}"
    " .st-key-beside :is(td, th):not(:first-child) {text-align: right !important}</style>"
)
st.navigation(
    [
        st.Page(homes.page, title="Which homes first", default=True),
        st.Page(cost.page, title="What it costs", url_path="cost"),
        st.Page(screens.page, title="Screens", url_path="screens"),
        st.Page(funding.page, title="The funding", url_path="funding"),
        st.Page(claim.page, title="The claim", url_path="claim"),
        st.Page(what_if.page, title="What if", url_path="what-if"),
        st.Page(data_report.page, title="The data", url_path="data"),
    ],
    position="top",
).run()
