package say

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestSentences is the table of what the catalogue's file may hold.
func TestSentences(t *testing.T) {
	all, err := readCatalogue(strings.Join([]string{
		"# a remark", "[a]", "plain = Look & feel.", "value = Bag {1 bag}, {2} mL", "count = {1} {1: bag / bags}", "long = one",
		"  two", "[b]", "weight = *Empty.* Type `x | y`", "link = Go [there *now*](2), {1}", "list = one | two |  | four", "equals = = {1}", "",
	}, "\n"))
	require.NoError(t, err)
	for _, c := range []struct {
		key         string
		values      []any
		plain, html string
	}{
		{"a.plain", nil, "Look & feel.", "Look &amp; feel."},
		{"a.value", []any{"<b>", int32(950)}, "Bag <b>, 950 mL", "Bag &lt;b&gt;, 950 mL"},
		{"a.count", []any{1}, "1 bag", "1 bag"},
		{"a.count", []any{0}, "0 bags", "0 bags"},
		{"a.count", []any{int64(2)}, "2 bags", "2 bags"},
		{"a.long", nil, "one two", "one two"},
		{"b.weight", nil, "Empty. Type x | y", "<strong>Empty.</strong> Type <code>x | y</code>"},
		{"b.link", []any{"*you*", `/case/1?a="b"`}, "Go there now, *you*", `Go <a href="/case/1?a=&#34;b&#34;">there <strong>now</strong></a>, *you*`},
		{"b.link", []any{"x", "javascript:alert(1)"}, "Go there now, x", `Go <a href="/">there <strong>now</strong></a>, x`},
		{"b.equals", []any{3}, "= 3", "= 3"},
		{"b.nothing", nil, "b.nothing", "b.nothing"},
	} {
		assert.Equal(t, c.plain, all.text(c.key, c.values, false))
		assert.Equal(t, c.html, all.text(c.key, c.values, true))
	}
	assert.Len(t, all["b.list"], 4)
	for _, wrong := range []string{
		"[a]\nx = {", "[a]\nx = {y}", "[a]\nx = {0}", "[a]\nx = {1: one}", "[a]\nx = [there]", "[a]\nx = there](1)", "[a]\nx = 1\nx = 2", "[a]\nwords", "[a",
	} {
		_, err := readCatalogue(wrong)
		assert.Error(t, err, wrong)
	}
}
