"""Notifications of new alarms, once each: by mail, chat, or any other service of the notification library."""
