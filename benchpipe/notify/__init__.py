"""Notifications: which recipient gets which alarm, once."""
