#!/bin/sh
# The user that the daemon runs as. Its folder is made by the service manager.
set -e
getent group standwatch >/dev/null || groupadd --system standwatch
getent passwd standwatch >/dev/null ||
  useradd --system --gid standwatch --home-dir /var/lib/standwatch --no-create-home --shell /usr/sbin/nologin standwatch
