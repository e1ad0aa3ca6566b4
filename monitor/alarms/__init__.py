"""The alarm life (ISA-18.2 / IEC 62682): the manager with its total table, its memory, requests and figures."""
