"""The local page: a thin face over calibration, records, figures and evidence.

`app.make_app` builds it; `placement.cli_page` serves it. Nothing here computes a figure: a page is
a function from a request to a response.
"""
