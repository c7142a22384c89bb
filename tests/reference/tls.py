"""What a TLS client of OpenSSL is given by a server on this machine.

    tls.py PORT AUTHORITY [CLIENT]

Prints JSON: for TLSv1_1, TLSv1_2 and TLSv1_3 whether a connection could be made and, of the last one that could, the SHA-256 of
the server's certificate and the status line and headers of GET /livez.
"""

import hashlib
import json
import socket
import ssl
import sys
import warnings

warnings.simplefilter("ignore", DeprecationWarning)


def connect(version):
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.load_verify_locations(sys.argv[2])
    # Old versions are off by default: whether they are refused must be the server's doing.
    context.set_ciphers("DEFAULT@SECLEVEL=0")
    context.minimum_version = context.maximum_version = version
    if len(sys.argv) > 3:
        context.load_cert_chain(sys.argv[3])
    with socket.create_connection(("127.0.0.1", int(sys.argv[1])), timeout=20) as plain:
        with context.wrap_socket(plain, server_hostname="127.0.0.1") as secure:
            secure.sendall(b"GET /livez HTTP/1.1\r\nhost: 127.0.0.1\r\nconnection: close\r\n\r\n")
            answer = b""
            while chunk := secure.recv(4096):
                answer += chunk
            head = answer.split(b"\r\n\r\n")[0].decode().lower().split("\r\n")
            certificate = hashlib.sha256(secure.getpeercert(binary_form=True)).hexdigest()
            return {"certificate": certificate, "head": head}


told = {}
for name in ("TLSv1_1", "TLSv1_2", "TLSv1_3"):
    try:
        told.update(connect(ssl.TLSVersion[name]))
        told[name] = True
    except (ssl.SSLError, ConnectionError) as error:
        told[name] = False
print(json.dumps(told))
