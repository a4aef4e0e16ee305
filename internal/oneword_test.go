package internal_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// oneWord are things that had two names. People read the second one alone; codes,
// commands, flags and fields keep theirs.
var oneWord = []struct{ never, instead string }{
	{`(?i)\bbuckets?\b`, "water bath"},
	{`(?i)\b(the|a|an|this|mixed) bath\b`, "water bath"},
	{`(?i)\bslow stage\b`, "slow start"},
	{`(?i)\bgrown\b`, "adult"},
	{`(?i)\bfirst look\b`, "examination"},
	{`(?i)\bbags? (is|are|was|were) set aside\b|set (it|the bag) aside`, "quarantined"},
	{`(?i)\bwhat does not fit\b`, "discrepancies"},
	{`(?i)\blook and feel\b`, "check by eye and hand"},
	{`(?i)\bset is in\b|pushed into the bag|\bthis bag is in\b`, "bag spiked; plasma started; bag finished"},
	{`(?i)\bfour times no\b`, "no risk factor known"},
	{`(?i)\bwho says so\b`, "entered by"},
	{`\bIgG lacking\b`, "IgG deficit"},
	{`(?i)\bbreathing rate\b`, "respiratory rate"},
	{`(?i)\bheart(,| %d,) breaths\b`, "heart rate, respiratory rate"},
	{`(?i)\bdonkey or (a )?mule\b`, "mule foal (donkey sire)"},
	{`(?i)\bwhole when squeezed\b|\bclear, no clots\b`, "straw-coloured, no clots, not red, no gas; no leak when squeezed"},
	{`(?i)\ba microwave never\b`, "never microwave"},
}

// spoken are texts that people read: each with the place where it stands.
func spoken(t *testing.T) map[string]string {
	t.Helper()
	out := map[string]string{}
	for name := range programFiles(t) {
		if strings.HasSuffix(name, ".pb.go") {
			continue
		}
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, filepath.Join("..", name), nil, parser.SkipObjectResolution)
		require.NoError(t, err)
		ast.Inspect(file, func(n ast.Node) bool {
			if lit, ok := n.(*ast.BasicLit); ok && lit.Kind == token.STRING {
				text, err := strconv.Unquote(lit.Value)
				require.NoError(t, err)
				out[set.Position(lit.Pos()).String()] = text
			}
			return true
		})
	}
	protos, err := filepath.Glob("../proto/thawtrail/v1/*.proto")
	require.NoError(t, err)
	quoted := regexp.MustCompile(`(?:help|short|hint): "([^"]*)"`)
	for _, name := range protos {
		for i, line := range lines(t, name) {
			for _, m := range quoted.FindAllStringSubmatch(line, -1) {
				out[name+":"+strconv.Itoa(i+1)] += m[1] + "\n"
			}
		}
	}
	for _, name := range []string{"say/english.txt", "../README.md", "caution/HAZARDS.md"} {
		for i, line := range lines(t, name) {
			out[name+":"+strconv.Itoa(i+1)] = line
		}
	}
	return out
}

func lines(t *testing.T, name string) []string {
	t.Helper()
	text, err := os.ReadFile(name)
	require.NoError(t, err)
	return strings.Split(string(text), "\n")
}

// TestOneWordForOneThing fails where people would read the other name of a thing.
func TestOneWordForOneThing(t *testing.T) {
	texts := spoken(t)
	require.Greater(t, len(texts), 5000)
	for _, w := range oneWord {
		never := regexp.MustCompile(w.never)
		for place, text := range texts {
			if found := never.FindString(text); found != "" {
				t.Errorf("%s says %q: people read %q", place, found, w.instead)
			}
		}
	}
}
