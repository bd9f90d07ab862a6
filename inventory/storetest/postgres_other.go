//go:build !unix

package storetest

import "errors"

func startLocal() (string, error) {
	return "", errors.New("a private server is started on Unix only; set TEST_DATABASE_URL")
}
