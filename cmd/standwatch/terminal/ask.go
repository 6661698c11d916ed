package terminal

import (
	"context"
	"encoding/json"
	"fmt"
)

// Ask sends one request to a path below /api/v1 and decodes the answer into
// into, if that is not nil. body is encoded as JSON, nil sends none. The error
// of an answer that refuses has the master's own words.
func (c *Client) Ask(ctx context.Context, method, path string, body, into any) error {
	var raw []byte
	if body != nil {
		var err error
		if raw, err = json.Marshal(body); err != nil {
			return fmt.Errorf("encode the request: %w", err)
		}
	}
	return c.ask(ctx, method, path, raw, into)
}
