"""The contractor's side: every site of a maintenance plan in one place.

One way through, as on the unit itself:

    broker -> ingest (messages, ledger, batch) -> writer -> database -> queries (triage, reports) -> web/fleet

What makes it safe to stop anything at any time: a message is acknowledged to the broker only after the transaction
that holds it and the ledger of its site's numbers has been committed; a number that the ledger has seen is never
counted again; a number that the ledger lacks is asked for again.
"""
