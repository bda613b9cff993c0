"""The program: what `fitdiag` and `python -m fitdiag` run."""

import gc


def main() -> None:
    """Load the commands and run the one that was asked for."""
    gc.disable()  # most commands live for a quarter of a second, loading included; looking for garbage takes a tenth of that
    from fitdiag.cli.main import run  # noqa: PLC0415 (after it)

    run()


if __name__ == "__main__":
    main()
