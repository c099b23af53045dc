"""Sections of documents, one module for each question: results in, a ``Section`` or nothing out."""
