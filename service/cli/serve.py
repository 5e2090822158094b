"""`drupe serve`: the service on this machine."""

from __future__ import annotations

import json
from pathlib import Path

import click

from service.cli.say import UNREACHABLE, WRONG, Fail, told_failures


@click.command()
@click.option("--data", type=click.Path(path_type=Path), help="Folder of the store.  [drupe-data]")
@click.option("--host", help="Address to listen on.  [127.0.0.1]")
@click.option("--port", type=click.IntRange(0, 65535), help="Port to listen on.  [8747]")
@click.option("--allow-remote", is_flag=True, default=None,
              help="Listen beyond this machine; only behind a gateway that checks who comes in.")
@click.option("--standards", type=click.Path(path_type=Path), help="Folder with house standards.")
@click.option("--house", help="Name of the packing house on pages and reports.")
@click.option("--mqtt-host", help="Take fruit from this broker too (MQTT 5).")
@click.option("--mqtt-port", type=click.IntRange(1, 65535), help="Port of the broker.  [1883]")
@click.option("--mqtt-topic", "mqtt_topics", multiple=True,
              help="Filter below drupe/fruit/, as line-1/+; may be repeated.  [#]")
@click.option("--config", type=click.Path(path_type=Path), help="TOML file with any setting.")
@click.option("--json", "as_json", is_flag=True, help="Say the address in JSON.")
def serve(
    data: Path | None, host: str | None, port: int | None, allow_remote: bool | None,
    standards: Path | None, house: str | None, mqtt_host: str | None, mqtt_port: int | None,
    mqtt_topics: tuple[str, ...], config: Path | None, as_json: bool,
) -> None:
    """Take fruit records over HTTP, grade and keep them, show lots in a browser.

    Nothing is acknowledged before it is on the disk. The service refuses to start when it could
    not keep that promise, and says why. Ctrl-C ends it after what was accepted is stored.

    \b
    Examples:
      drupe serve
      drupe serve --data /srv/drupe --port 9000
      drupe serve --mqtt-host broker.packing.example --mqtt-topic 'line-1/+'
      curl -H 'content-type: text/csv' --data-binary @fruit.csv \\
           'http://127.0.0.1:8747/v1/records?source=bench&run=1&lot=L-0417'
    """
    from service.settings import SettingsError, load_settings

    try:
        settings = load_settings(config=config, data_dir=data, host=host, port=port,
                                 allow_remote=allow_remote, standards_dir=standards, house=house,
                                 mqtt={"host": mqtt_host, "port": mqtt_port,
                                       "topics": mqtt_topics or None})
    except SettingsError as wrong:
        raise Fail(str(wrong), code=WRONG) from wrong
    from service.server import run

    def started(address: str) -> None:
        if as_json:
            click.echo(json.dumps({"address": address, "data": str(settings.data_dir)}))
        else:
            click.echo(f"drupe serves {settings.data_dir} on {address}  (Ctrl-C ends it)")

    with told_failures():
        try:
            run(settings, started=started)
        except OSError as wrong:
            raise Fail(f"cannot listen on {settings.host} port {settings.port} "
                       f"({wrong.strerror or wrong}); choose another --port",
                       code=UNREACHABLE) from wrong
