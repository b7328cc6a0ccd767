"""Transactions and blocks: the only home of sqlite3 and duckdb."""
