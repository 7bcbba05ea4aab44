from book_fixtures import book, json_of, run, tmp_path  # noqa: F401
