"""Plain pages for the packing shed and the lead: read on a screen, or printed on A4.

Made on the server, without scripts and without anything from elsewhere. A token is typed into the
login form and kept in a cookie that scripts cannot read and other sites cannot send; the GraphQL
endpoint never looks at it.
"""

from api.pages.views import routes

__all__ = ["routes"]
