"""The one exception that speaks to the user."""


class InputError(Exception):
    """Something the user gave is unusable; the message is one sentence.

    The sentence says what was expected, what was found, where (file or key) and what to do. The command
    line prints it alone and exits 2.
    """
