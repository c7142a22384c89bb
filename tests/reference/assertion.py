"""Judges assertions of SMART Backend Services by a library that knows nothing of the service (PyJWT).

assertion.py JWKS TOKEN_URL CLIENT_ID NOW FILE: FILE holds one assertion a line. Prints kid and alg of each; the exit code is 1
where one breaks SMART App Launch 2.2.0, "Authentication using asymmetric keys": header alg, kid, typ; iss = sub = client id;
aud = the token URL; exp at most five minutes ahead; jti once; a signature that the one key with this kid verifies. The set itself
must hold no private member (RFC 7518, sections 6.2.2 and 6.3.2).
"""

import json
import sys

import jwt

PRIVATE = {"d", "p", "q", "dp", "dq", "qi", "oth", "k"}


def main(jwks, token_url, client_id, now, file):
    keys = json.load(open(jwks))["keys"]
    for key in keys:
        assert not PRIVATE & key.keys(), "a private member is published"
        assert key["kty"] in ("RSA", "EC") and key["kid"], key
    assert len({key["kid"] for key in keys}) == len(keys), "a kid twice"
    seen = set()
    for line in open(file).read().split():
        header = jwt.get_unverified_header(line)
        assert header["typ"] == "JWT" and header["alg"] in ("RS384", "ES384"), header
        (key,) = [key for key in keys if key["kid"] == header["kid"]]
        # The clock of the test is not that of this machine, so that times are held against NOW here.
        lenient = {"verify_exp": False, "verify_iat": False, "verify_nbf": False, "require": ["exp", "jti", "iss", "sub", "aud"]}
        public = jwt.PyJWK(key).key
        claims = jwt.decode(line, public, algorithms=[header["alg"]], audience=token_url, issuer=client_id, options=lenient)
        assert claims["sub"] == client_id and claims["aud"] == token_url, claims
        assert int(now) < claims["exp"] <= int(now) + 300, (now, claims["exp"])
        assert claims["jti"] not in seen, "a jti twice"
        seen.add(claims["jti"])
        print(header["kid"], header["alg"])


if __name__ == "__main__":
    try:
        main(*sys.argv[1:])
    except (AssertionError, jwt.PyJWTError, ValueError) as error:
        sys.exit(f"{type(error).__name__}: {error}")
