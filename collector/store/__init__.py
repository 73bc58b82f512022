"""The book and the desk: tables, migrations, the one writer, queries, curve coding, tallies."""
