"""Where reports come from.

A feed brings texts. What they say is decoded elsewhere; when a feed may be asked, and which of several, is decided in
`budget` and `health`.
"""
