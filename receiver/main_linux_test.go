package receiver

import (
	"fmt"
	"os"
	"testing"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	if version := os.Getenv(rateSenderEnv); version != "" {
		if err := sendAtRate(version); err != nil {
			fmt.Fprintln(os.Stderr, "the sender:", err)
			os.Exit(1)
		}
		return
	}
	goleak.VerifyTestMain(m)
}
