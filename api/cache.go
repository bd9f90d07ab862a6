package api

import (
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"slabledger/service"
)

// gzipSuffix marks the validator of a compressed body: a strong validator
// belongs to its bytes (RFC 9110, 8.8.3.3).
const gzipSuffix = "-gzip"

// sendForever writes a part of a published version, which never changes.
func sendForever(c echo.Context, value any) error {
	body, err := service.Encode(value)
	if err != nil {
		return err
	}
	c.Response().Header().Set("Cache-Control", "private, max-age=31536000, immutable")
	return sendTagged(c, "application/json", etag(body), body)
}

// sendTagged writes a body with its validator, or 304 where the client has it.
func sendTagged(c echo.Context, contentType, tag string, body []byte) error {
	if same := matching(c.Request().Header.Values("If-None-Match"), tag); same != "" {
		c.Response().Header().Set("ETag", same)
		return c.NoContent(http.StatusNotModified)
	}
	c.Response().Header().Set("ETag", tag)
	return c.Blob(http.StatusOK, contentType, body)
}

// etag is a strong validator: a hash of the bytes.
func etag(body []byte) string {
	sum := sha256.Sum256(body)
	return `"` + hex.EncodeToString(sum[:]) + `"`
}

// matching returns the validator in If-None-Match that stands for the body, plain
// or compressed, or nothing. The comparison is the weak one (RFC 9110, 13.1.2).
func matching(headers []string, tag string) string {
	compressed := strings.TrimSuffix(tag, `"`) + gzipSuffix + `"`
	for _, candidate := range strings.Split(strings.Join(headers, ","), ",") {
		switch strings.TrimPrefix(strings.TrimSpace(candidate), "W/") {
		case tag, "*":
			return tag
		case compressed:
			return compressed
		}
	}
	return ""
}
