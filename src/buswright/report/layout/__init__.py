"""The bus layout document as an HTML page and as Markdown."""
