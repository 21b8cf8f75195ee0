"""When curtains cannot be hung."""


class NotApartError(Exception):
    """Places of a cast lie over each other too exactly for all answers to fit together; another
    way must be gone. The message says what did not fit, for who looks into it.
    """
