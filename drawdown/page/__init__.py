"""The page: the studio's own server, for a phone at the slab."""
