"""What a record says, free of what differs between processors: the last bit of a power, a sine or a logarithm."""


def rounded(value: object) -> object:
    """Numbers of something read from JSON to nine digits, whatever holds them."""
    if isinstance(value, dict):
        return {key: rounded(one) for key, one in value.items()}
    if isinstance(value, list):
        return [rounded(one) for one in value]
    return float(f"{value:.9g}") if isinstance(value, float) else value
