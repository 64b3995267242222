"""One module a part: `add_sheets(book, plan)` writes that part's sheets."""
