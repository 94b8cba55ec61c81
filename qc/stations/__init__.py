"""The server: one gate in front of everything, the dashboard, and what stations and tablets use.

`server` listens; `gate` lets in; `sign_in_pages` are the pages before it; `app` puts the routes
together: `records` for stations, `entry` and its siblings for tablets, `live` for what gauges show.
Whatever is written goes through `desk`.
"""
