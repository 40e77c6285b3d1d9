"""Logins against the worked examples of the RFCs."""

import hashlib
import re
import urllib.request

from hubtack.ntrip.login import Challenge, basic, digest, parse_challenges, usable_digest
from hubtack.secret import Secret


def test_basic_agrees_with_the_reference_example():
    # reference sheet: user "user", password "password" (recomputed); RFC 7617, 2: Aladdin
    assert basic("user", Secret("password")) == "Basic dXNlcjpwYXNzd29yZA=="
    assert basic("Aladdin", Secret("open sesame")) == "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ=="


def test_digest_agrees_with_the_example_of_rfc_2617_section_3_5():
    # Values from memory; that the response follows from them is the check.
    (challenge,) = parse_challenges(
        [
            'Digest realm="testrealm@host.com", qop="auth,auth-int", nonce="dcd98b7102dd2f0e8b11d0f600bfb0c093", '
            'opaque="5ccc069c403ebaf9f0171e9517f40e41"'
        ]
    )
    value = digest(challenge, "Mufasa", Secret("Circle Of Life"), "GET", "/dir/index.html", cnonce="0a4f113b")
    assert 'response="6629fae49393a05397450978507c4ef1"' in value
    assert 'opaque="5ccc069c403ebaf9f0171e9517f40e41"' in value
    assert "nc=00000001" in value
    assert "Circle" not in value


def test_digest_agrees_with_the_standard_library():
    # urllib.request.AbstractDigestAuthHandler (Python), which knows MD5; it picks its own cnonce
    params = {"realm": "r", "nonce": "n", "qop": "auth", "algorithm": "MD5"}
    handler = urllib.request.HTTPDigestAuthHandler(urllib.request.HTTPPasswordMgrWithDefaultRealm())
    handler.add_password("r", "http://caster.example/", "user", "pass word")
    theirs = handler.get_authorization(urllib.request.Request("http://caster.example/M"), params)
    cnonce = re.search(r'cnonce="([^"]*)"', theirs)[1]
    ours = digest(Challenge("digest", params), "user", Secret("pass word"), "GET", "/M", cnonce)
    assert re.search(r'response="[^"]*"', ours)[0] == re.search(r'response="[^"]*"', theirs)[0]


def test_digest_with_sha_256_follows_rfc_7616():
    # RFC 7616, 3.4.1: KD(H(A1), nonce:nc:cnonce:qop:H(A2)), with H = SHA-256
    def h(text):
        return hashlib.sha256(text.encode()).hexdigest()

    challenge = Challenge("digest", {"realm": "r", "nonce": "n", "qop": "auth", "algorithm": "SHA-256"})
    expected = h(f"{h('user:r:pw')}:n:00000001:c:auth:{h('GET:/M')}")
    assert f'response="{expected}"' in digest(challenge, "user", Secret("pw"), "GET", "/M", "c")


def test_digest_without_qop_agrees_with_the_example_of_rfc_2069_as_corrected():
    # RFC 2069, 2.4 with its erratum 749: response 1949323746fe6a43ef61f9606e7febea
    (challenge,) = parse_challenges(['Digest realm="testrealm@host.com", nonce="dcd98b7102dd2f0e8b11d0f600bfb0c093"'])
    value = digest(challenge, "Mufasa", Secret("CircleOfLife"), "GET", "/dir/index.html", cnonce="")
    assert 'response="1949323746fe6a43ef61f9606e7febea"' in value
    assert "qop" not in value


def test_several_schemes_on_one_line_and_on_several_are_all_seen():
    found = parse_challenges(['Basic realm="/MOUNT, one", Digest realm="d", nonce="n", qop="auth"', "Negotiate"])
    assert [c.scheme for c in found] == ["basic", "digest", "negotiate"]
    assert found[0].params == {"realm": "/MOUNT, one"}
    assert usable_digest(found) is found[1]


def test_the_strongest_digest_is_taken_and_one_that_cannot_be_answered_is_not():
    offers = parse_challenges(
        [
            'Digest realm="d", nonce="a", algorithm=MD5',
            'Digest realm="d", nonce="b", algorithm=SHA-256',
            'Digest realm="d", nonce="c", algorithm=SHA-256, qop="auth-int"',
        ]
    )
    assert usable_digest(offers).params["nonce"] == "b"
    assert usable_digest(parse_challenges(['Digest realm="d", nonce="a", algorithm=WHIRL'])) is None
