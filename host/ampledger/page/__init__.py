"""
The page: the last step of the line, which shows what the others concluded.

In: a `Source` of snapshots (plain dicts). Out: a Flask application that
serves the Dash page, a push stream and a short history on this computer only.
It never computes a conclusion, opens a port to a board or writes a file.
"""

from ampledger.page.app import STREAM_LIMIT, Source, create_server, make_wsgi_server, serve

__all__ = ["STREAM_LIMIT", "Source", "create_server", "make_wsgi_server", "serve"]
