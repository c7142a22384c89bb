"""Verifies signed requests as a receiver would: http-message-signatures knows RFC 9421 and RFC 9530, cryptography the keys.

Argument: a file with {algorithm, keys (a JSON Web Key Set's), requests: [{method, url, headers, body in base64}]}. Says how many
were verified, and how many changed ones were refused; exit 1 if one is not as it should be."""

import base64
import json
import sys
from datetime import timedelta

from cryptography.hazmat.primitives.asymmetric import ec, ed25519
from http_message_signatures import HTTPMessageVerifier, HTTPSignatureKeyResolver, algorithms
from http_message_signatures.exceptions import InvalidSignature


def number(text):
    return int.from_bytes(octets(text), "big")


def octets(text):
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


class Keys(HTTPSignatureKeyResolver):
    def __init__(self, keys):
        self.keys = {key["kid"]: key for key in keys}

    def resolve_public_key(self, key_id):
        key = self.keys[key_id]
        if key["kty"] == "OKP":
            return ed25519.Ed25519PublicKey.from_public_bytes(octets(key["x"]))
        return ec.EllipticCurvePublicNumbers(number(key["x"]), number(key["y"]), ec.SECP256R1()).public_key()


class Request:
    def __init__(self, method, url, headers, body):
        self.method, self.url, self.headers, self.body = method, url, dict(headers), base64.b64decode(body)


def verify(verifier, request):
    covered = ["@method", "@target-uri", "content-digest", "endplate-event"]
    covered += ["content-type"] if request.body else []
    return verifier.verify(request, max_age=timedelta(days=36_500), require_components=covered, body=request.body)


def refused(verifier, told, change):
    request = Request(**told)
    change(request)
    try:
        verify(verifier, request)
    except InvalidSignature:
        return True
    return False


def other_body(request):
    request.body = request.body.replace(b"Task", b"task") if request.body else b"x"


def other_method(request):
    request.method = "PATCH"


def other_url(request):
    request.url = request.url.replace("hand", "foot")


def other_event(request):
    request.headers["endplate-event"] = "full/999"


told = json.load(open(sys.argv[1]))
algorithm = {"ed25519": algorithms.ED25519, "ecdsa-p256-sha256": algorithms.ECDSA_P256_SHA256}[told["algorithm"]]
verifier = HTTPMessageVerifier(signature_algorithm=algorithm, key_resolver=Keys(told["keys"]))
verified = sum(len(verify(verifier, Request(**request))) == 1 for request in told["requests"])
changes = [other_body, other_method, other_url, other_event]
stopped = sum(refused(verifier, request, change) for request in told["requests"] for change in changes)
print(f"{verified} verified, {stopped} changed ones refused")
sys.exit(0 if verified == len(told["requests"]) and stopped == len(changes) * verified else 1)
