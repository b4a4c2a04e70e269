"""Names of controls as browsers send them.

Outside fact: HTML Standard, section 4.10.21.8 "Multipart form data": in names of fields and files a
quotation mark, a line feed and a carriage return are sent as %22, %0A and %0D.
"""

from __future__ import annotations

from pathlib import Path


def test_quoted_keys_arrive_as_the_page_named_them(small: Path, tools) -> None:
    material = "muriate of potash 0-0-60"
    with tools.open_desk(small) as desk:
        desk.ready("/season")
        edge = "edge-of-the-parts"
        fields = {"token": desk.keys.form, f"prices.%22{material}%22.usd": "512"}
        head = f'--{edge}\r\ncontent-disposition: form-data; name='
        body = "".join(f'{head}"{name}"\r\n\r\n{value}\r\n'
                       for name, value in fields.items()) + f"--{edge}--\r\n"
        told = desk.client.post("/season/save-prices", content=body.encode(), headers={
            "origin": desk.origin, "x-vrx-parts": "{}",
            "content-type": f"multipart/form-data; boundary={edge}"})
        assert told.status_code == 200, told.text
    assert f'"{material}" = {{ usd = 512' in (small / "plan.toml").read_text(encoding="utf-8")
