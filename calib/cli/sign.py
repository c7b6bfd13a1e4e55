"""``calib sign``."""

from __future__ import annotations

from pathlib import Path

import click

from calib.cli.console import print_json, wrapped
from calib.errors import UsageError


@click.command()
@click.argument("reference", metavar="[NAME@VERSION]", required=False)
@click.option(
    "--key", type=click.Path(path_type=Path), metavar="FILE", help="Private key to sign with."
)
@click.option(
    "--new-key", type=click.Path(path_type=Path), metavar="FILE",
    help="Make a key pair instead: the private key in FILE, the public one in FILE.pub.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print what was written as JSON.")
def command(reference: str | None, key: Path | None, new_key: Path | None, as_json: bool) -> None:
    """Sign a frozen model, or make a key pair for it.

    The signature (Ed25519) is over the manifest, which holds the hash of every
    file. Keep the private key out of the repository; give the public one to
    whoever loads the model: 'calib check --trust KEY' and
    calib.load(…, trust=KEY) refuse a model that it does not vouch for.

    \b
    Example:
      calib sign --new-key lab.key
      calib sign majors@1.0.0 --key lab.key
      calib check majors@1.0.0 --trust lab.key.pub
    """
    if new_key is not None:
        from calib.artifact.trust import make_key

        if reference is not None or key is not None:
            raise UsageError("--new-key: makes a key pair and signs nothing; call sign again")
        public = make_key(new_key)
        if as_json:
            print_json({"private_key": str(new_key), "public_key": str(public)})
            return
        click.echo(wrapped(f"private key: {new_key} (keep it secret, it has no password)"))
        click.echo(f"public key: {public}")
        return
    if reference is None or key is None:
        raise UsageError("sign: need NAME@VERSION and --key FILE, or --new-key FILE")
    from calib.artifact.store import sign

    signature = sign(reference, key)
    if as_json:
        print_json({"signature": str(signature)})
    else:
        click.echo(f"signed: {signature}")
