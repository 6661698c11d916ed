package api

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	"net/http"
)

//go:embed openapi.json
var openAPI []byte

// openapi answers with the OpenAPI 3.1 document, written by hand and checked
// against the routes and their answers by the tests.
func (s *server) openapi(w http.ResponseWriter, _ *http.Request) error {
	version, err := json.Marshal(s.Version)
	if err != nil {
		return fmt.Errorf("encode the version: %w", err)
	}
	w.Header().Set("Content-Type", "application/json")
	// A reader that went away needs no answer.
	_, _ = w.Write(bytes.Replace(openAPI, []byte(`"version": "0"`), append([]byte(`"version": `), version...), 1))
	return nil
}
