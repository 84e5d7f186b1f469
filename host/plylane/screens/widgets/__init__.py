"""The pieces that the screens are put together from, a widget a file."""
