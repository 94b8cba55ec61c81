"""The server: one gate in front of everything, the dashboard, and what stations and tablets use.

`server` listens; `gate` lets in; `sign_in` and `account` are pages of our own (with `door`,
`small_pages`), `screens` is Streamlit; `app` puts the routes together: `records` for stations,
`entry` and its siblings for tablets, `live` for what gauges show. Whatever is written goes through
`desk`, and `rights` says whether it may.
"""
