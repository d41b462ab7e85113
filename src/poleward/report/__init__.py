"""What leaves the program: text, record, tables, charts. Side by side; none imports another but `style`."""
