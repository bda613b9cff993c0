"""Entry point of `fitdiag` and `python -m fitdiag`."""

import gc


def main() -> None:
    """Load the commands and run the one asked for."""
    gc.disable()  # most commands run for a quarter of a second, loading included; collecting garbage takes a tenth of it
    from fitdiag.cli.main import run  # noqa: PLC0415 (after gc is off)

    run()


if __name__ == "__main__":
    main()
