"""What every answer tells a browser: nothing of others runs in our pages, which run nowhere else.

The gate adds these where an answer does not say something stricter by itself.
"""

import base64
import hashlib
import re

# for whatever is no page: were it shown as one all the same, it could do nothing
NOTHING_RUNS = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
HEADERS = {
    "content-security-policy": NOTHING_RUNS,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # with `no-referrer` a browser would send the Origin of our own forms as "null"
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    # a photo is taken by the device's own camera program, a scale is read by `rimqc listen`
    "permissions-policy": ", ".join(
        f"{feature}=()"
        for feature in (
            *("accelerometer", "camera", "display-capture", "geolocation"),
            *("gyroscope", "hid", "magnetometer", "microphone", "midi", "payment", "serial", "usb"),
        )
    ),
    # what holds for one person now is not for the next at the same tablet
    "cache-control": "no-store",
}
HTTPS_ONLY = {"strict-transport-security": "max-age=31536000"}
_INLINE = re.compile(r"<script(?![^>]*\bsrc=)[^>]*>(.*?)</script>", re.DOTALL)


def screens_policy(page: str) -> str:
    """The policy of the screens, from the text of Streamlit's page: as strict as it lets us.

    Nothing is evaluated from text, and no script in the page runs but those that it ships with.
    """
    digests = (hashlib.sha256(script.encode()).digest() for script in _INLINE.findall(page))
    shipped = "".join(f" 'sha256-{base64.b64encode(one).decode()}'" for one in digests)
    return "; ".join(
        (
            "default-src 'none'",
            # blob: the entry component's script reaches the browser as text and is imported so;
            # wasm-unsafe-eval: the library that unpacks messages counts in WebAssembly
            f"script-src 'self' blob: 'wasm-unsafe-eval'{shipped}",
            # Streamlit and Plotly write their style sheets while they run
            "style-src 'self' 'unsafe-inline'",
            # our icon and Plotly's marks are drawn in their address
            "img-src 'self' data:",
            # the icons of one of Streamlit's tables
            "font-src 'self' data:",
            "connect-src 'self'",
            "form-action 'self'",
            "base-uri 'none'",
            "frame-ancestors 'none'",
        )
    )
