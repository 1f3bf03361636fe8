"""`netaudit alert SITE`: send a message through each channel of the plan, to see that it arrives."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse

    from netaudit.notify.channel import Channel
    from netaudit.site.model import Site


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = subparsers.add_parser(
        "alert",
        description="Send a message through each [alert.NAME] of the plan now, quiet hours or not, to see that it "
        "arrives. Ends with 1 if one did not.",
        epilog="example: netaudit alert site.toml",
    )
    parser.add_argument("site", metavar="SITE", help="the site plan")
    parser.add_argument("--channel", metavar="NAME", help="only this channel")
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Send to each channel and print what became of it."""
    import asyncio
    import os
    from pathlib import Path

    from netaudit.cli.output import print_json
    from netaudit.daemon.channels import channels_of
    from netaudit.errors import AlertError
    from netaudit.site.load import load_site

    site = load_site(args.site)
    channels = channels_of(site, Path(args.site).parent, os.environ)
    if args.channel is not None:
        named = [channel for channel in channels if channel.name == args.channel]
        if not named:
            known = ", ".join(channel.name for channel in channels) or "none"
            raise AlertError(f'{args.site}: has no channel "{args.channel}"; its channels: {known}')
        channels = named
    if not channels:
        raise AlertError(f'{args.site}: has no channel: write [alert.NAME] with url_env = "VARIABLE"')
    troubles = {channel.name: asyncio.run(send_trial(site, channel)) for channel in channels}
    if args.json:
        print_json({name: {"sent": not trouble, "trouble": trouble} for name, trouble in troubles.items()})
    else:
        for name, trouble in troubles.items():
            print(f"{name}: not sent: {trouble}" if trouble else f"{name}: sent")
    return int(any(troubles.values()))


async def send_trial(site: Site, channel: Channel) -> str:
    """Send the test message through a channel, quiet hours or not; gives what went wrong, empty when it was taken."""
    from zoneinfo import ZoneInfo

    from netaudit.daemon.looks import utc_now
    from netaudit.errors import AlertError
    from netaudit.notify.address import read_address
    from netaudit.notify.post import child_post
    from netaudit.notify.words import trial

    body = trial(site=site.site.name, channel=channel.name, now=utc_now(), zone=ZoneInfo(site.site.time_zone))
    try:
        async with child_post(read_address(channel)) as post:
            return await post.send(body.partition("\n")[0], body)
    except AlertError as error:
        return str(error)
