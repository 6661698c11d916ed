#!/bin/sh
# The data folder is evidence: no removal takes it, not even a purge.
set -e
if [ -d /run/systemd/system ]; then
  systemctl daemon-reload
fi
if [ "$1" = purge ] && [ -d /var/lib/standwatch ]; then
  echo 'standwatch: the journal in /var/lib/standwatch stays; remove it by hand if nobody needs it.'
fi
