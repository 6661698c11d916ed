"""Sends one contact notification of the invented remote with pysnmp.

The only argument is JSON: target, port, from, version, inform, community, user,
auth, auth_secret, priv, priv_secret, engine (hexadecimal, traps of v3), number
and state of the contact. Exits with 1 when an inform was not answered.
"""

import json
import sys

from pysnmp.hlapi import (
    CommunityData,
    ContextData,
    Integer32,
    NotificationType,
    ObjectIdentity,
    OctetString,
    SnmpEngine,
    UdpTransportTarget,
    UsmUserData,
    sendNotification,
    usmAesCfb128Protocol,
    usmHMAC192SHA256AuthProtocol,
    usmHMACSHAAuthProtocol,
    usmNoAuthProtocol,
    usmNoPrivProtocol,
)

KESTREL = "1.3.6.1.4.1.32473.10"
AUTH = {"none": usmNoAuthProtocol, "sha1": usmHMACSHAAuthProtocol, "sha256": usmHMAC192SHA256AuthProtocol}
PRIV = {"none": usmNoPrivProtocol, "aes128": usmAesCfb128Protocol}


def login(o):
    if o["version"] == "v1":
        return CommunityData(o["community"], mpModel=0)
    if o["version"] == "v2c":
        return CommunityData(o["community"], mpModel=1)
    return UsmUserData(
        o["user"],
        o["auth_secret"] if o["auth"] != "none" else None,
        o["priv_secret"] if o["priv"] != "none" else None,
        authProtocol=AUTH[o["auth"]],
        privProtocol=PRIV[o["priv"]],
    )


def main():
    o = json.loads(sys.argv[1])
    engine = SnmpEngine(snmpEngineID=OctetString(hexValue=o["engine"])) if o["engine"] else SnmpEngine()
    target = UdpTransportTarget((o["target"], o["port"]), timeout=2, retries=3)
    target.setLocalAddress((o["from"], 0))
    number, state = o["number"], o["state"]
    what = NotificationType(ObjectIdentity(KESTREL + ".0.1")).addVarBinds(
        (f"{KESTREL}.2.1.1.{number}", Integer32(number)),
        (f"{KESTREL}.2.1.2.{number}", Integer32(state)),
        (f"{KESTREL}.2.1.3.{number}", OctetString("told by pysnmp")),
    )
    kind = "inform" if o["inform"] else "trap"
    error, _, _, _ = next(sendNotification(engine, login(o), target, ContextData(), kind, what))
    if error:
        sys.exit(f"not answered: {error}")


main()
