"""People are told of what is new, once: by mail, chat, or whatever the notification library speaks."""
