#!/usr/bin/env bash
# Installs, runs, upgrades, removes and purges the Debian package on this
# machine, which should be one that can be thrown away: deploy/package/try.sh FOLDER
# with the folder that build.sh built into. Root is needed.
set -euo pipefail
DIST=$(cd "${1:?the folder that build.sh built into}" && pwd)
package=$(echo "$DIST"/standwatch_*_"$(dpkg --print-architecture)".deb)
die() { echo "try: $*" >&2; exit 1; }

dpkg -i "$package" >/dev/null
standwatch version
su -s /bin/sh standwatch -c 'standwatch check --config /etc/standwatch'
[ -s /usr/share/man/man1/standwatch-serve.1.gz ] || [ -s /usr/share/man/man1/standwatch-serve.1 ] || die 'no manual page'
bash -n /usr/share/bash-completion/completions/standwatch
[ "$(stat -c %a /etc/default/standwatch)" = 600 ] || die 'the file of secrets can be read by others'
if systemctl --version >/dev/null 2>&1; then
  systemd-analyze verify --man=no /usr/lib/systemd/system/standwatch.service
fi

# As the service would run it: its user, a data folder of its own, port 162.
install -d -o standwatch -g standwatch -m 0700 /var/lib/standwatch
setpriv --reuid standwatch --regid standwatch --init-groups --inh-caps +net_bind_service --ambient-caps +net_bind_service --no-new-privs \
  standwatch serve --config /etc/standwatch --data /var/lib/standwatch 2>/tmp/standwatch-try.log &
daemon=$!
trap 'kill $daemon 2>/dev/null || true' EXIT
for _ in $(seq 100); do
  curl -fsS -o /dev/null http://127.0.0.1:8620/readyz 2>/dev/null && break
  kill -0 $daemon || { cat /tmp/standwatch-try.log; die 'the daemon ended'; }
  sleep 0.1
done
curl -fsS http://127.0.0.1:8620/readyz
standwatch send --target 127.0.0.1:162 --community trial --trap 1.3.6.1.6.3.1.1.5.1
kill $daemon
wait $daemon
trap - EXIT
su -s /bin/sh standwatch -c 'standwatch verify --data /var/lib/standwatch'

echo '# kept' >>/etc/standwatch/people.yaml
dpkg -i "$package" >/dev/null
tail -n 1 /etc/standwatch/people.yaml | grep -q kept || die 'an upgrade lost what the administrator wrote'
dpkg -r standwatch >/dev/null
[ -e /etc/standwatch/people.yaml ] || die 'removal took the configuration'
dpkg --purge standwatch >/dev/null
[ ! -e /etc/standwatch/standwatch.yaml ] || die 'a purge left the configuration'
[ -e /var/lib/standwatch/folder.db ] || die 'a purge took the journal'
rm -rf /var/lib/standwatch /tmp/standwatch-try.log
echo 'installed, ran, was upgraded and removed; the journal was left alone'
