package say

import (
	"flag"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "write what services say into the catalogue")

// speakers are the rooms whose words reach a person, with the rooms below them. What store
// and exchange say is for who keeps the machine; the pages say all by its key.
var speakers = []string{
	"../engine", "../label", "../event", "../ledger", "../entry", "../query", "../plans", "../input", "../access", "../replication",
	"../handover", "../bundle", "../refusal", "../replica", "../rpc", "../wording", "../unit",
}

var (
	// sentence is what is worth a place in the catalogue: two words in a row, or words beside a value.
	twoWords = regexp.MustCompile(`[A-Za-z]{2,}[,:;.]? [A-Za-z]{2,}|^an? \{|[A-Za-z]{2,}[,:;.]? \(?\{|\} \(?[A-Za-z]{2,}`)
	machine  = regexp.MustCompile(`^[a-z_]+(, [a-z_]+)*$|^[\^(\[]|[\\<>[:cntrl:]]|15:04|https?:| \| `)
	verbs    = regexp.MustCompile(`%[-+#0]*\d*(?:\.\d+)?[a-zA-Z%]`) // of a format
	single   = regexp.MustCompile(`^(?:an? )?[a-z]{3,}(_[a-z]+)*$`)
	slot     = regexp.MustCompile(`\{\d+\}`)
	helps    = regexp.MustCompile(`(?:help|short|hint): "([^"]*)"`)
	unitEnd  = regexp.MustCompile(` in [A-Za-z/%]+$`)
)

// saidByServices are the sentences of all speakers, with the place of each.
func saidByServices(t *testing.T) map[string]string {
	out := map[string]string{}
	set := token.NewFileSet()
	for _, room := range speakers {
		require.NoError(t, filepath.WalkDir(room, func(name string, d fs.DirEntry, err error) error {
			if err == nil && d.IsDir() && strings.HasSuffix(name, "test") {
				return fs.SkipDir // for tests alone
			}
			if err != nil || d.IsDir() || !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
				return err
			}
			file, err := parser.ParseFile(set, name, nil, parser.SkipObjectResolution)
			if err == nil {
				heard := func(text string, pos token.Pos) { out[text] = set.Position(pos).String() }
				l := &listener{word: heard, add: func(text string, pos token.Pos) {
					if text = strings.Join(strings.Fields(text), " "); twoWords.MatchString(text) && !machine.MatchString(text) {
						heard(text, pos)
					}
				}}
				ast.Inspect(file, l.node)
			}
			return err
		}))
	}
	protos, err := filepath.Glob("../../proto/thawtrail/v1/*.proto")
	require.NoError(t, err)
	for _, name := range protos {
		raw, err := os.ReadFile(name)
		require.NoError(t, err)
		for _, m := range helps.FindAllStringSubmatch(string(raw), -1) {
			out[m[1]] = name
			out[unitEnd.ReplaceAllString(m[1], "")] = name // its unit stands beside a field
		}
	}
	return out
}

// listener hears the sentences of a file: formats, sums of words and values, and words.
type listener struct {
	add, word func(text string, pos token.Pos)
}

// silent are called with words of the machine, of its log, or with a key of the catalogue.
var silent = []string{"Info", "Warn", "Debug", "MustCompile", "Format", "panic", "Text", "List", "Has", "Lookup"}

func (l *listener) node(n ast.Node) bool {
	switch n := n.(type) {
	case *ast.ImportSpec, *ast.StructType:
		return false
	case *ast.ReturnStmt:
		l.oneWord(n.Results)
	case *ast.CompositeLit:
		l.oneWord(n.Elts)
	case *ast.KeyValueExpr:
		l.oneWord([]ast.Expr{n.Value})
	case *ast.ValueSpec:
		l.oneWord(n.Values)
	case *ast.AssignStmt:
		l.oneWord(n.Rhs)
	case *ast.CallExpr:
		return l.call(n)
	case *ast.BinaryExpr:
		if text, words := sum(n); words {
			l.add(text, n.Pos())
			for _, x := range operands(n) { // a value may be a call with words of its own
				if _, lit := x.(*ast.BasicLit); !lit {
					ast.Inspect(x, l.node)
				}
			}
			return false
		}
	case *ast.BasicLit:
		if text, words := sum(n); words {
			l.add(text, n.Pos())
		}
	}
	return true
}

func (l *listener) call(n *ast.CallExpr) bool {
	name := ""
	switch f := n.Fun.(type) {
	case *ast.Ident:
		name = f.Name
	case *ast.SelectorExpr:
		name = f.Sel.Name
	}
	if name == "outcome" {
		l.oneWord(n.Args)
	}
	if lit, ok := n.Args[max(len(n.Args)-1, 0):], name == "Plural"; ok {
		noun, _ := sum(lit[0])
		l.add("{1} "+noun, n.Pos())
		l.add("{1} "+noun+"s", n.Pos())
	}
	return !slices.Contains(silent, name)
}

// oneWord hears the words of states, signs and the like, which are given back or stand in
// a table.
func (l *listener) oneWord(of []ast.Expr) {
	for _, x := range of {
		if lit, ok := x.(*ast.BasicLit); ok && lit.Kind == token.STRING {
			if word, _ := strconv.Unquote(lit.Value); single.MatchString(word) {
				l.word(strings.ReplaceAll(word, "_", " "), lit.Pos())
			}
		}
	}
}

// operands are the terms of a sum, in order.
func operands(e ast.Expr) []ast.Expr {
	if b, ok := e.(*ast.BinaryExpr); ok && b.Op == token.ADD {
		return append(operands(b.X), operands(b.Y)...)
	}
	return []ast.Expr{e}
}

// sum is an expression as a sentence with slots; words says that some of it is.
func sum(e ast.Expr) (text string, words bool) {
	slots := 0
	next := func(verb string) string {
		if verb == "%%" {
			return "%"
		}
		slots++
		return "{" + strconv.Itoa(slots) + "}"
	}
	for _, x := range operands(e) {
		if lit, ok := x.(*ast.BasicLit); ok && lit.Kind == token.STRING {
			part, _ := strconv.Unquote(lit.Value)
			text, words = text+verbs.ReplaceAllStringFunc(part, next), true
			continue
		}
		text += next("")
	}
	return text, words
}

// keyOf is the id of a sentence: its words.
func keyOf(text string, taken map[string]string) string {
	words := regexp.MustCompile(`[^a-z0-9]+`).ReplaceAllString(strings.ToLower(slot.ReplaceAllString(text, "")), "_")
	words = strings.Trim(words, "_")
	for n := 40; ; n += 10 {
		key := strings.Trim(words[:min(n, len(words))], "_")
		if n > len(words)+40 {
			key += "_" + strconv.Itoa(n)
		}
		if was, is := taken[key]; !is || was == text {
			return key
		}
	}
}

const toldHead = "\n# What services say, found by its English: made by `go test ./internal/say -run TestWhatServicesSay -update`.\n[told]\n"

// written is what services say as the catalogue has it.
func written(said map[string]string) string {
	var b strings.Builder
	b.WriteString(toldHead)
	taken := map[string]string{}
	for _, text := range slices.Sorted(maps.Keys(said)) {
		key := keyOf(text, taken)
		taken[key] = text
		line := key + " ="
		for _, word := range strings.Fields(text) {
			if len(line)+len(word) > 118 {
				b.WriteString(line + "\n")
				line = " "
			}
			line += " " + word
		}
		b.WriteString(line + "\n")
	}
	return b.String()
}

// TestWhatServicesSay fails on a sentence of a service that is not in the catalogue, and
// on one there that nobody says: no sentence reaches a person without it.
func TestWhatServicesSay(t *testing.T) {
	raw, err := os.ReadFile("english.txt")
	require.NoError(t, err)
	pages, told, _ := strings.Cut(string(raw), toldHead)
	want := strings.TrimPrefix(written(saidByServices(t)), toldHead)
	if *update {
		require.NoError(t, os.WriteFile("english.txt", []byte(pages+toldHead+want), 0o644))
		return
	}
	have, wanted := linesOf(told), linesOf(want)
	for line := range wanted {
		assert.True(t, have[line], "not in the catalogue: go test ./internal/say -run TestWhatServicesSay -update\n%s", line)
	}
	for line := range have {
		assert.True(t, wanted[line], "in the catalogue, and nobody says it: go test ./internal/say -run TestWhatServicesSay -update\n%s", line)
	}
}

func linesOf(text string) map[string]bool {
	out := map[string]bool{}
	for _, line := range strings.Split(text, "\n") {
		out[line] = true
	}
	return out
}

// A bag's number ends a sentence whatever letters it is made of.
func TestASentenceEndsWithANumber(t *testing.T) {
	require.NoError(t, Speak(Pseudo))
	defer func() { require.NoError(t, Speak("")) }()
	for _, number := range []string{"8SGS-TW08-H", "JFKP-8AKQ-K", "ABCD-EFGH-4", "-12", "3.5 mL"} {
		said := (&teller{known: map[part]string{}}).look("use by: thawed bag "+number, maxDepth)
		require.True(t, strings.HasSuffix(said, " "+number), said)
		require.NotContains(t, said, "thawed", number)
	}
}
