package cli

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
)

var jsonBack = protojson.UnmarshalOptions{}

func unixText(ms int64) string { return time.UnixMilli(ms).UTC().Format(time.RFC3339) }

// decimalText writes n / 10^places, the obvious way.
func decimalText(n int64, places int) string {
	s := fmt.Sprintf("%0*d", places+1, n)
	return s[:len(s)-places] + "." + s[len(s)-places:]
}
