"""The invented world behind a board under test: the physical box, and the chips and bus in front of it."""
