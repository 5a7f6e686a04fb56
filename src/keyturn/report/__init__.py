"""The answer on paper and on the screen: figures (SVG), tables, words, page and PDF."""
