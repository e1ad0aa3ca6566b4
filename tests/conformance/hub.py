"""A home-automation hub on a broker, to be asked what it shows; run by a Python with hub-requirements.txt, not ours.

Arguments: a folder that the hub keeps its memory in, the broker's port, a port for its own page. Reads commands from
standard input and answers each with one line of JSON; ends in good order with the input.

- `show`: devices and entities, by the ids that were announced, with what the hub makes of them
- `press ENTITY_ID`: presses a button
"""

from __future__ import annotations

import asyncio
import json
import sys
from pathlib import Path
from typing import Any

from homeassistant import bootstrap, runner
from homeassistant.helpers import device_registry, entity_registry


async def main(folder: Path, broker_port: int, page_port: int) -> None:
    """Start, take the broker as a user would in the hub's own set-up, and answer until the input ends."""
    page = f"http:\n  server_host: 127.0.0.1\n  server_port: {page_port}\n"
    (folder / "configuration.yaml").write_text(f"homeassistant:\n  name: Test\n{page}", encoding="utf-8")
    hub = await bootstrap.async_setup_hass(runner.RuntimeConfig(config_dir=str(folder), skip_pip=True))
    if hub is None or hub.config.recovery_mode:
        raise SystemExit("the hub did not start")
    await hub.async_start()
    if not hub.config_entries.async_entries("mqtt"):
        flow = await hub.config_entries.flow.async_init("mqtt", context={"source": "user"})
        broker = {"broker": "127.0.0.1", "port": broker_port}
        result = await hub.config_entries.flow.async_configure(flow["flow_id"], broker)
        if result["type"] != "create_entry":
            raise SystemExit(f"the hub did not take the broker: {result}")
    while command := (await asyncio.to_thread(sys.stdin.readline)).split():
        if command[0] == "press":
            await hub.services.async_call("button", "press", {"entity_id": command[1]}, blocking=True)
        print(json.dumps(shown(hub)), flush=True)
    await hub.async_stop(force=True)


def shown(hub: Any) -> dict[str, Any]:
    """Return what the hub holds of the broker's devices, and what it shows of each entity."""
    devices = device_registry.async_get(hub).devices.values()
    entities = [one for one in entity_registry.async_get(hub).entities.values() if one.platform == "mqtt"]
    ours = {one.device_id for one in entities}
    return {
        "devices": [[one.name, sorted(map(list, one.identifiers))] for one in devices if one.id in ours],
        "entities": [_shown(hub, one) for one in entities],
    }


def _shown(hub: Any, entity: Any) -> dict[str, Any]:
    state = hub.states.get(entity.entity_id)
    attributes = {} if state is None else state.attributes
    return {
        "id": entity.unique_id,
        "entity": entity.entity_id,
        "platform": entity.domain,
        "state": None if state is None else state.state,
        "unit": attributes.get("unit_of_measurement"),
        "class": attributes.get("device_class"),
        "options": attributes.get("options"),
    }


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])))
