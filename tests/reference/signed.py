"""Keys, key sets, certificates and tokens, made with PyJWT and cryptography.

    signed.py FOLDER SPECS

Makes in FOLDER, unless they are there: NAME.pem and NAME.jwks.json for each party, and ca.pem, server.pem, server.key,
other.pem, other.key, client.pem (certificate and key). Then signs what SPECS (a JSON file) lists, and prints the tokens as a
JSON list. Each is {"by": NAME, "alg": …, "headers": {…}, "claims": {…}}; alg "none" and "HS384" are made by hand, the latter
with the public key as its secret, as an attacker would.
"""

import base64
import datetime
import hashlib
import hmac
import ipaddress
import json
import pathlib
import sys

import jwt
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID
from jwt.algorithms import ECAlgorithm, RSAAlgorithm

PARTIES = {
    "record": "ES384", "board": "RS384", "login": "ES384", "hook": "ES384", "stranger": "ES384", "service": "ES384",
}


def pem(key):
    return key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )


def parties(folder):
    for name, alg in PARTIES.items():
        if alg == "RS384":
            key = rsa.generate_private_key(public_exponent=65537, key_size=2048)
            public = RSAAlgorithm.to_jwk(key.public_key(), as_dict=True)
        else:
            key = ec.generate_private_key(ec.SECP384R1())
            public = ECAlgorithm.to_jwk(key.public_key(), as_dict=True)
        public.pop("key_ops", None)
        public.update(kid=f"{name}-1", use="sig", alg=alg)
        (folder / f"{name}.pem").write_bytes(pem(key))
        (folder / f"{name}.jwks.json").write_text(json.dumps({"keys": [public]}))


def certificates(folder):
    start = datetime.datetime(2020, 1, 1)
    end = datetime.datetime(2120, 1, 1)

    def made(name, key, issuer, issuer_key, usage):
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        builder = (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(issuer or subject)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(start)
            .not_valid_after(end)
            .add_extension(x509.BasicConstraints(ca=usage is None, path_length=None), critical=True)
        )
        if usage:
            names = [x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]
            builder = builder.add_extension(x509.SubjectAlternativeName(names), critical=False)
            builder = builder.add_extension(x509.ExtendedKeyUsage([usage]), critical=False)
        return builder.sign(issuer_key or key, hashes.SHA384())

    ca_key = ec.generate_private_key(ec.SECP384R1())
    ca = made("Example authority", ca_key, None, None, None)
    text = lambda certificate: certificate.public_bytes(serialization.Encoding.PEM)
    (folder / "ca.pem").write_bytes(text(ca))
    for name, usage in [
        ("server", ExtendedKeyUsageOID.SERVER_AUTH),
        ("other", ExtendedKeyUsageOID.SERVER_AUTH),
        ("client", ExtendedKeyUsageOID.CLIENT_AUTH),
    ]:
        key = ec.generate_private_key(ec.SECP384R1())
        certificate = made(name, key, ca.subject, ca_key, usage)
        if name == "client":
            (folder / "client.pem").write_bytes(text(certificate) + pem(key))
        else:
            (folder / f"{name}.pem").write_bytes(text(certificate))
            (folder / f"{name}.key").write_bytes(pem(key))


def by_hand(alg, headers, claims, secret):
    encode = lambda data: base64.urlsafe_b64encode(data).rstrip(b"=")
    header = json.dumps({"alg": alg, "typ": "JWT", **headers}).encode()
    signed = encode(header) + b"." + encode(json.dumps(claims).encode())
    signature = hmac.new(secret, signed, hashlib.sha384).digest() if alg == "HS384" else b""
    return (signed + b"." + encode(signature)).decode()


def token(folder, spec):
    alg = spec.get("alg") or PARTIES[spec["by"]]
    headers = {"kid": f"{spec['by']}-1", **spec.get("headers", {})}
    key = (folder / f"{spec['by']}.pem").read_bytes()
    if alg in ("none", "HS384"):
        public = serialization.load_pem_private_key(key, None).public_key()
        secret = public.public_bytes(
            serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
        )
        return by_hand(alg, headers, spec["claims"], secret)
    if headers.get("typ", True) is None:
        headers["typ"] = ""  # PyJWT's way to leave it out
    headers = {name: value for name, value in headers.items() if value is not None}
    return jwt.api_jws.PyJWS().encode(
        json.dumps(spec["claims"]).encode(), key, algorithm=alg, headers=headers
    )


def main():
    folder = pathlib.Path(sys.argv[1])
    if not (folder / "ca.pem").exists():
        parties(folder)
        certificates(folder)
    specs = json.loads(pathlib.Path(sys.argv[2]).read_text())
    print(json.dumps([token(folder, spec) for spec in specs]))


main()
