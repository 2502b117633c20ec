"""The page on one's own machine: a small server, and what it shows. Thin over the same rooms."""
