package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/rehearse"
)

// TestEveryLineOfARehearsalIsMarked asks a rehearsal by commands: what is printed says
// in every line, and in JSON in the object, that it is one; so do refusals.
func TestEveryLineOfARehearsalIsMarked(t *testing.T) {
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	t.Setenv("TMPDIR", t.TempDir())
	ctx, cancel := context.WithCancel(t.Context())
	places, ended := make(chan rehearse.Place, 1), make(chan error, 1)
	go func() {
		ended <- rehearse.Run(ctx, rehearse.Config{Ready: func(p rehearse.Place) { places <- p }})
	}()
	defer func() { cancel(); require.NoError(t, <-ended) }()
	var at string
	select {
	case p := <-places:
		at = p.Address
	case err := <-ended:
		ended <- err
		t.Fatal(err)
	}
	for _, words := range []string{
		"now", "stock", "status", "people", "batch list", "cases", "digest", "open foal --dam Slate", "case nowhere", "audit use --by place",
		"label nowhere", "takeover code A B C D --dam x --mark y", "phone list",
	} {
		var out, errs bytes.Buffer
		code := Main(t.Context(), append(strings.Fields(words), "--at", at), &out, &errs)
		text := out.String() + errs.String()
		if strings.HasPrefix(words, "label") {
			require.NotContains(t, text, "Rehearsal", "what asks no rehearsal is no part of it")
			continue
		}
		require.NotEmpty(t, strings.TrimSpace(text), words)
		for _, l := range strings.Split(strings.TrimSuffix(text, "\n"), "\n") {
			require.True(t, strings.HasPrefix(l, "Rehearsal | "), "%s (exit %d): %q", words, code, l)
		}
	}
	var out bytes.Buffer
	require.Zero(t, Main(t.Context(), []string{"status", "--json", "--at", at}, &out, &out))
	var answer struct {
		Rehearsal bool
		Practice  string
	}
	require.NoError(t, json.Unmarshal(out.Bytes(), &answer), out.String())
	require.True(t, answer.Rehearsal)
	require.NotEmpty(t, answer.Practice)
}
