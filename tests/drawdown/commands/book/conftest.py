from book_fixtures import book, tmp_path  # noqa: F401
