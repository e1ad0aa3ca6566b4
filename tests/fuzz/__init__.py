"""Every door by which bytes of strangers come in, and what sends nonsense through it.

| door | fuzzed by |
|---|---|
| site file, fleet file, scenarios (TOML) | `test_settings_files` |
| recordings (CSV) with their start captures (JSON); lines and files without end | `test_recordings` |
| calibrations, commissioning records, share codes, the page's access file, a phone's plan (JSON) | `test_kept_files` |
| what the engine remembered: the whole, alerts, trends (JSON in the history) | `test_kept_files` |
| rows and pages of the history file (SQLite) | `tests/simulation`, `tests/monitor/test_history_disk.py` |
| lists of customers, weather files (CSV), addresses of phones, passwords (lines) | `test_kept_files` |
| the office's database by address and as a file, a broker's place, certificates, process number | `test_addresses` |
| arguments of every command, files named by them, standard streams, environment | `test_commands` |
| requests from the broker to the unit, through publisher, history and engine; SenML packs | `test_messages` |
| messages of the sites to the office | `test_messages`, `tests/fleet/test_fuzz.py` (to database and pages) |
| answers of a phone service, and of the process that sends | `test_messages` |
| the interface for programs, from its OpenAPI document | `test_api` |
| forms, pages, cookies and headers of the unit's page and of the office's | `test_forms` |
| forms of the workbench | `test_workbench` |
| bytes on the page's port | `test_served_bytes` |
| who may open what | `test_rights`, `test_office_rights` |
| registers and transfers on the I2C bus, pins that flicker, voltages of any size | `test_bus_bytes` |
| lines typed in a visit, meter readings, share codes; names and notes in the report | `test_talks` |

Held everywhere (`refusals`): no error but those of `monitor/core/errors.py`, or an answer 4xx in words; one bounded
line with place, given and allowed; an end in bounded time and memory. `FUZZ=50` is the nightly size,
`FUZZ_SEED=7` another.
"""
