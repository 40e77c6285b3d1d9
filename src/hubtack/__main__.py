"""``python -m hubtack`` is the ``hubtack`` command."""

from hubtack.cli.main import run

if __name__ == "__main__":
    run()
