"""Thin doors: one file per command; heavy imports happen inside a command."""
