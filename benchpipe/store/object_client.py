"""Open an object store, and turn what it refuses into errors that say what to do.

Its own messages are never shown: they can hold keys and signatures. Only their code is.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

from benchpipe.errors import BenchpipeError, ConfigError, MissingExtraError, StoreError, install_extra

EXTRA = "s3"
TRIES = "BENCHPIPE_S3_TRIES"  # environment variable: how often a request is repeated
RETRIES = 9  # the last waits are 10 s: a storm of 40 s passes unnoticed
FIRST_WAIT = timedelta(milliseconds=100)  # before a request is repeated; then twice as long each time
WAIT_S = 120.0  # for all tries of one request
TIMEOUT_S = 300.0  # for one try: a part of a gigabyte on a slow line
ENDPOINTS = ("AWS_ENDPOINT_URL_S3", "AWS_ENDPOINT_URL", "AWS_ENDPOINT")
CREDENTIALS = (
    "AWS_ACCESS_KEY_ID", "AWS_WEB_IDENTITY_TOKEN_FILE", "AWS_CONTAINER_CREDENTIALS_RELATIVE_URI",
    "AWS_CONTAINER_CREDENTIALS_FULL_URI", "AWS_METADATA_ENDPOINT", "AWS_SKIP_SIGNATURE",
)  # fmt: skip
RIGHTS = "s3:ListBucket on the bucket; s3:GetObject, s3:PutObject and s3:DeleteObject below the prefix"
KEYS = "set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY (with AWS_SESSION_TOKEN where it was given) of an account "

_BY_CODE = {
    "NoSuchBucket": ("there is no such bucket", "correct the address (key store of lab.toml, or --store), or make it"),
    "InvalidAccessKeyId": ("the object store does not know the key", KEYS + "that it knows, then run again"),
    "SignatureDoesNotMatch": ("the secret does not go with the key", KEYS + "of the store, then run again"),
    "ExpiredToken": ("the credential has expired", "get a new one into the environment, then run again"),
    "TokenRefreshRequired": ("the credential has expired", "get a new one into the environment, then run again"),
    "InvalidToken": ("the session token is not valid", "get a new one into the environment, then run again"),
    "RequestTimeTooSkewed": ("this machine's clock is too far off", "set it by a time server, then run again"),
    "AccessDenied": ("this account has no right to it", f"give it these rights: {RIGHTS}"),
    "AuthorizationHeaderMalformed": ("the region is not the bucket's", "set AWS_REGION to the region of the bucket"),
    "PermanentRedirect": ("the region is not the bucket's", "set AWS_REGION to the region of the bucket"),
    "NotImplemented": (
        "the object store cannot write by condition (If-Match), and two jobs could undo one another's work",
        "use a server that can, or a store in a folder",
    ),
}
_BY_STATUS = {"401": "InvalidAccessKeyId", "403": "AccessDenied", "501": "NotImplemented", "301": "PermanentRedirect"}


class NoAnswerError(StoreError):
    """An object store does not answer, though it was asked several times (exit 12)."""


class TagChangedError(Exception):
    """A file is in another state than the one that was named."""


def open_client(address: str, environ: Mapping[str, str] | None = None) -> Any:
    """Client of the store at an address, with the credentials of the environment. No request is made.

    Raises
    ------
    MissingExtraError
        The library is not installed.
    ConfigError
        There are no credentials in the environment.
    """
    environ = os.environ if environ is None else environ
    try:
        from obstore.store import S3Store
    except ImportError:
        raise MissingExtraError(
            "a store on an object store needs the library 'obstore', which is not installed",
            where=address, do_next=install_extra(EXTRA),
        ) from None  # fmt: skip
    if not any(environ.get(name) for name in CREDENTIALS):
        raise ConfigError("no credentials for the object store are in the environment", where=address, do_next=KEYS
                          + "that may use it; a server of your own is named by AWS_ENDPOINT_URL")  # fmt: skip
    bucket, _, prefix = address.partition("://")[2].partition("/")
    endpoint = next((environ[name] for name in ENDPOINTS if environ.get(name)), "")
    with asked(address):
        return S3Store(
            bucket,
            prefix=prefix or None,
            client_options={"allow_http": endpoint.startswith("http://"), "timeout": timedelta(seconds=TIMEOUT_S)},
            retry_config={
                "max_retries": _tries(environ),
                "retry_timeout": timedelta(seconds=WAIT_S),
                "backoff": {"init_backoff": FIRST_WAIT, "max_backoff": timedelta(seconds=10), "base": 2},
            },
            config={"endpoint": endpoint} if endpoint else None,
        )


def _tries(environ: Mapping[str, str]) -> int:
    text = environ.get(TRIES, "")
    return int(text) if text.isdecimal() else RETRIES


@contextmanager
def asked(address: str, name: str = "") -> Iterator[None]:
    """Turn what an object store answers into an error a user can act on.

    Raises
    ------
    FileNotFoundError
        There is no such object.
    TagChangedError
        It is in another state than the one that the request named.
    StoreError
        Anything else; its texts hold no word of the answer but its code.
    """
    from obstore.exceptions import AlreadyExistsError, BaseError, PreconditionError

    where = f"{address}/{name}" if name else address
    try:
        yield
    except BenchpipeError:
        raise
    except FileNotFoundError as error:
        if _code(error) == "NoSuchBucket":
            raise _refused(error, where) from None
        raise FileNotFoundError(2, "it is missing", where) from None
    except (AlreadyExistsError, PreconditionError):
        raise TagChangedError(where) from None
    except (BaseError, NotImplementedError) as error:
        raise _refused(error, where) from None


def _code(error: Exception) -> str:
    """Code of an answer: that of its document, else what its status means; else the status itself, or nothing."""
    text = str(error)
    found = re.search(r"<Code>(\w{1,60})</Code>", text)
    if found is not None:
        return found[1]
    if "redirect without LOCATION" in text:
        return "PermanentRedirect"
    status = re.search(r"status code: (\d{3})", text)
    return _BY_STATUS.get(status[1], status[1]) if status is not None else ""


def _refused(error: Exception, where: str) -> StoreError:
    from obstore.exceptions import PermissionDeniedError, UnauthenticatedError

    code = _code(error)
    if code not in _BY_CODE and isinstance(error, PermissionDeniedError):
        code = "AccessDenied"
    if code not in _BY_CODE and isinstance(error, UnauthenticatedError):
        code = "InvalidAccessKeyId"
    if code in _BY_CODE:
        what, do_next = _BY_CODE[code]
        return StoreError(what, where=where, do_next=do_next)
    told = f" ({code})" if code else ""
    refuses = code.startswith("4")
    return (StoreError if refuses else NoAnswerError)(
        f"the object store {'refuses a request' if refuses else 'does not answer'}{told}", where=where,
        do_next="see that the network and the server answer (AWS_ENDPOINT_URL, where it is your own), then run again; "
        "nothing was lost",
    )  # fmt: skip
