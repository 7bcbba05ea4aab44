from book_fixtures import book  # noqa: F401
