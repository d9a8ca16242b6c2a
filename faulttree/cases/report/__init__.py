"""One case as a report: its data, and the text, Markdown and HTML made of it."""
