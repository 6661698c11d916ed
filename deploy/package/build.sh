#!/usr/bin/env bash
# Builds the binaries for amd64 and arm64, manual pages, completions and
# packages for Debian and RPM: deploy/package/build.sh FOLDER
# The same commit and Go version give the same octets.
set -euo pipefail
ROOT=$(cd "$(dirname "$0")/../.." && pwd)
DIST=${1:?which folder to build into}
mkdir -p "$DIST"
DIST=$(cd "$DIST" && pwd)
cd "$ROOT"

SOURCE_DATE_EPOCH=$(git log -1 --format=%ct)
MTIME=$(date -u -d "@$SOURCE_DATE_EPOCH" +%Y-%m-%dT%H:%M:%SZ)
VERSION=$(sed -n 's/^const version = "\(.*\)"$/\1/p' cmd/standwatch/version.go)
export SOURCE_DATE_EPOCH

for ARCH in amd64 arm64; do
  CGO_ENABLED=0 GOOS=linux GOARCH=$ARCH go build -trimpath -buildvcs=true -ldflags '-s -w -buildid=' -o "$DIST/standwatch-$ARCH" ./cmd/standwatch
done

rm -rf "$DIST/man" "$DIST/completion"
mkdir -p "$DIST/man" "$DIST/completion"
STANDWATCH_MAN=$DIST/man go test -count=1 -run '^TestManPages$' ./cmd/standwatch >/dev/null
case $(go env GOHOSTARCH) in arm64) host=arm64 ;; *) host=amd64 ;; esac
for shell in bash zsh fish; do
  "$DIST/standwatch-$host" completion $shell >"$DIST/completion/$shell"
done

nfpm=github.com/goreleaser/nfpm/v2/cmd/nfpm@v2.45.2
for ARCH in amd64 arm64; do
  # nfpm reads variables in some fields only, so all are put in beforehand.
  sed -e "s|\${ROOT}|$ROOT|; s|\${DIST}|$DIST|; s|\${ARCH}|$ARCH|; s|\${VERSION}|$VERSION|; s|\${MTIME}|$MTIME|" \
    deploy/package/nfpm.yaml >"$DIST/nfpm-$ARCH.yaml"
  for packager in deb rpm; do
    go run "$nfpm" package --config "$DIST/nfpm-$ARCH.yaml" --packager $packager --target "$DIST/"
  done
  rm "$DIST/nfpm-$ARCH.yaml"
done
(cd "$DIST" && sha256sum standwatch-amd64 standwatch-arm64 ./*.deb ./*.rpm >SHA256SUMS)
