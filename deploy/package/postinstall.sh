#!/bin/sh
# A first installation does not start the daemon: it has nothing to watch yet.
# An upgrade starts it anew where it ran.
set -e
chgrp standwatch /etc/standwatch /etc/standwatch/sites
chmod 0750 /etc/standwatch /etc/standwatch/sites
if [ -d /run/systemd/system ]; then
  systemctl daemon-reload
  systemctl try-restart standwatch.service
fi
if [ -z "${2:-}" ] && [ "${1:-}" != 2 ]; then
  echo 'standwatch: describe your sites in /etc/standwatch, then:'
  echo '  standwatch check --config /etc/standwatch && systemctl enable --now standwatch'
fi
