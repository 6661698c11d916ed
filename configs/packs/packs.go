// Package packs embeds the rule packs that the program brings along: one YAML
// file each, in the same form as a person's own rules, with the document it was
// written from. It only holds them; package configs reads them.
package packs

import "embed"

// FS holds the packs, *.yaml, at its root.
//
//go:embed *.yaml
var FS embed.FS
