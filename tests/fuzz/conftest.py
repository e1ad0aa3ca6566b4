"""The page does not wait for a service that is not there."""

from tests.web.conftest import impatient_page

__all__ = ["impatient_page"]
