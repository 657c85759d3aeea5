"""Speed, memory and accuracy figures; each module is a command that prints them."""
