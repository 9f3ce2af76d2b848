"""How a notice travels by mail.

Knows SMTP. Does not know what is told, or when. What holds for every sender is in `sending`.
"""

from __future__ import annotations

import smtplib
from email.message import EmailMessage
from email.utils import formatdate, make_msgid

from carerules.adapters import sending
from carerules.adapters.channels import Mail, Posted, SendError
from carerules.adapters.trust import server_trust


def send_mail(address: Mail, posted: Posted) -> None:
    """Hand one letter to the server of the address; raises `SendError`."""
    letter = EmailMessage()
    letter["Subject"], letter["From"] = posted.subject, address.sender
    letter["To"] = ", ".join(address.to)
    letter["Date"], letter["Message-ID"] = formatdate(), make_msgid(domain="carerules.invalid")
    letter["Auto-Submitted"] = "auto-generated"  # RFC 3834: no machine is to answer it
    if posted.urgent:
        letter["Importance"] = "high"  # RFC 2156
    letter.set_content(posted.body + "\n")
    password = None if address.password_file is None else sending.secret_of(address.password_file)
    try:
        with _server(address) as server:
            if address.user is not None and password is not None:
                server.login(address.user, password)
            refused = server.send_message(letter)
    except smtplib.SMTPResponseException as error:
        # The server's own words may repeat what was sent to it: only its code is passed on.
        raise SendError(f"{address.host} answered {error.smtp_code}") from None
    except (OSError, smtplib.SMTPException, ValueError) as error:
        raise SendError(f"{address.host}: {_why(error)}") from None
    if refused:
        raise SendError(f"{address.host} refused {len(refused)} of {len(address.to)} addresses")


def _server(address: Mail) -> smtplib.SMTP:
    context = server_trust(address.ca_file)
    if address.security == "tls":
        return smtplib.SMTP_SSL(
            address.host, address.port, timeout=sending.ANSWER_S_MAX, context=context
        )
    server = smtplib.SMTP(address.host, address.port, timeout=sending.ANSWER_S_MAX)
    try:
        if address.security == "starttls":
            server.starttls(context=context)
    except BaseException:
        server.close()
        raise
    return server


def _why(error: Exception) -> str:
    # The library makes one word of a silence and of a line that was cut.
    cut = isinstance(error, smtplib.SMTPServerDisconnected)
    return sending.NO_ANSWER if cut else sending.why_not(error)
