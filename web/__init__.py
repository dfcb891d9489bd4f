"""Rimaye's pages: complete HTML from the server, with parts that are swapped in place."""
