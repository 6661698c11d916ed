// Sends one contact notification of the invented remote with the npm package
// net-snmp. The only argument is JSON, as for notify.py. Exits with 1 when an
// inform was not answered.
"use strict";
const snmp = require("net-snmp");
const o = JSON.parse(process.argv[2]);
const kestrel = "1.3.6.1.4.1.32473.10";

function session() {
  const options = { trapPort: o.port, sourceAddress: o.from, retries: 3, timeout: 2000, transport: "udp4" };
  if (o.version !== "v3") {
    options.version = o.version === "v1" ? snmp.Version1 : snmp.Version2c;
    return snmp.createSession(o.target, o.community, options);
  }
  options.version = snmp.Version3;
  options.port = o.port; // where it asks for the engine ID
  if (o.engine) options.engineID = o.engine;
  const user = { name: o.user, level: snmp.SecurityLevel.noAuthNoPriv };
  if (o.auth !== "none") {
    user.level = snmp.SecurityLevel.authNoPriv;
    user.authProtocol = { sha1: snmp.AuthProtocols.sha, sha256: snmp.AuthProtocols.sha256, sha512: snmp.AuthProtocols.sha512 }[o.auth];
    user.authKey = o.auth_secret;
  }
  if (o.priv !== "none") {
    user.level = snmp.SecurityLevel.authPriv;
    user.privProtocol = { aes128: snmp.PrivProtocols.aes, aes256: snmp.PrivProtocols.aes256b }[o.priv];
    user.privKey = o.priv_secret;
  }
  return snmp.createV3Session(o.target, user, options);
}

const column = (n, type, value) => ({ oid: `${kestrel}.2.1.${n}.${o.number}`, type, value });
const varbinds = [column(1, snmp.ObjectType.Integer, o.number), column(2, snmp.ObjectType.Integer, o.state), column(3, snmp.ObjectType.OctetString, "told by npm net-snmp")];
const s = session();
// A v1 trap is named by its enterprise and the specific number.
const trap = o.version === "v1" ? `${kestrel}.1` : `${kestrel}.0.1`;
const done = (error) => {
  if (error) {
    console.error(error.toString());
    process.exitCode = 1;
  }
  s.close();
};
if (o.inform) s.inform(trap, varbinds, done);
else if (o.version === "v1") s.trap(trap, varbinds, o.from, done);
else s.trap(trap, varbinds, done);
