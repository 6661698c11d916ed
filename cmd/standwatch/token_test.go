package main

import (
	"context"
	"strings"
)

// askToken makes an account and a token at the daemon that has a data folder, so
// that a test may ask it what people may. It fails while none has it.
func askToken(ctx context.Context, dir string) (string, error) {
	_, err := askDaemon[userAnswer](ctx, dir, "/user", userQuestion{Do: "add", Name: "trial-desk", Role: "administer", Password: "a password for trials"}, nil)
	if err != nil && !strings.Contains(err.Error(), "there is an account of that name") {
		return "", err
	}
	answer, err := askDaemon[userAnswer](ctx, dir, "/user", userQuestion{Do: "token", Name: "trial-desk", Role: "administer", For: "trials", Days: 1}, nil)
	return answer.Token, err
}
