#!/bin/sh
# Debian says "remove", RPM says 0 packages left; an upgrade is neither.
set -e
if [ "$1" = remove ] || [ "$1" = 0 ]; then
  if [ -d /run/systemd/system ]; then
    systemctl disable --now standwatch.service standwatch.socket || true
  fi
fi
