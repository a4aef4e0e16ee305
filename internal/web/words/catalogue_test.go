package words

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"text/template/parse"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/files"
	"thawtrail/internal/say"
)

// use is one place that says a sentence.
type use struct {
	key    string // the key, or the beginning of a family of keys
	values int    // -1: not to be counted
	whole  bool
	where  string
}

// adult ends a key whose words are for patients that are no foals.
const adult = "_adult"

// families are keys that are put together: their beginning, and the ends there are.
func families(t *testing.T) map[string][]string {
	var steps, titles, fields []string
	for _, key := range say.Keys() {
		if slug, ok := strings.CutPrefix(key, "step."); ok {
			steps = append(steps, slug)
		}
	}
	for slug, hasAdult := range stepsOfACase(t) {
		titles = append(titles, slug)
		if say.Has("title."+slug+adult) && hasAdult {
			titles = append(titles, slug+adult)
		}
	}
	for _, s := range event.All() {
		for i := range s.Message().Fields().Len() {
			name := string(s.Message().Fields().Get(i).Name())
			fields = append(fields, name, s.Name+"."+name)
		}
	}
	var lists, forms []string
	for _, l := range files.Lists() {
		lists = append(lists, l.Name)
	}
	for _, f := range files.Formats() {
		forms = append(forms, string(f))
	}
	return map[string][]string{"list.": lists, "form_of_file.": forms, "step.": steps, "title.": titles, "field.": fields, "unit.": fields, "choice.": choices()}
}

// choices are the choices of all fields that people fill in or read.
func choices() (out []string) {
	seen := map[protoreflect.FullName]bool{}
	var visit func(m protoreflect.MessageDescriptor)
	visit = func(m protoreflect.MessageDescriptor) {
		if seen[m.FullName()] {
			return
		}
		seen[m.FullName()] = true
		for i := range m.Fields().Len() {
			f := m.Fields().Get(i)
			if f.Message() != nil {
				visit(f.Message())
			}
			e := f.Enum()
			for j := 1; e != nil && j < e.Values().Len(); j++ {
				out = append(out, string(e.Name())+"."+event.EnumWord(e.Values().Get(j)))
			}
		}
	}
	for _, s := range event.All() {
		visit(s.Message())
	}
	return out
}

// TestEveryKeyIsThereAndUsed fails on a sentence that is not in the catalogue, on
// one that nobody says, and on one that is said with too many or too few values.
func TestEveryKeyIsThereAndUsed(t *testing.T) {
	said := map[string]bool{}
	family := families(t)
	for _, u := range append(append(usesInTemplates(t), usesInCode(t)...), usesInScript(t)...) {
		if !u.whole {
			assert.Contains(t, family, u.key, "%s: no such family of keys", u.where)
			continue
		}
		said[u.key] = true
		if assert.True(t, say.Has(u.key), "%s: %q is not in the catalogue", u.where, u.key) && u.values >= 0 {
			assert.Equal(t, say.Wants(u.key), u.values, "%s: values of %q", u.where, u.key)
		}
	}
	for begin, ends := range family {
		for _, end := range ends {
			said[begin+end] = true
			if begin != "step." && begin != "field." && begin != "unit." {
				assert.True(t, say.Has(begin+end), "every page of a case has a title, every choice, list and form of file a word: %s", begin+end)
			}
		}
	}
	for _, key := range say.Keys() {
		if strings.HasPrefix(key, "told.") {
			continue // found by what it says: TestWhatServicesSay
		}
		assert.True(t, said[key], "%q is in the catalogue, and nothing says it", key)
	}
}

// stepsOfACase reads the pages of a case off their table, and which of them have a
// form for patients that are no foals.
func stepsOfACase(t *testing.T) map[string]bool {
	f, err := parser.ParseFile(token.NewFileSet(), stepsFile, nil, 0)
	require.NoError(t, err)
	out := map[string]bool{}
	ast.Inspect(f, func(n ast.Node) bool {
		table, ok := n.(*ast.CompositeLit)
		if !ok {
			return true
		}
		if _, ok := table.Type.(*ast.MapType); !ok {
			return true
		}
		for _, row := range table.Elts {
			row := row.(*ast.KeyValueExpr)
			slug, err := strconv.Unquote(row.Key.(*ast.BasicLit).Value)
			require.NoError(t, err)
			out[slug] = slices.ContainsFunc(row.Value.(*ast.CompositeLit).Elts, func(e ast.Expr) bool {
				return strings.EqualFold(e.(*ast.KeyValueExpr).Key.(*ast.Ident).Name, "adult")
			})
		}
		return false
	})
	require.NotEmpty(t, out)
	return out
}

// TestThePathHasItsWords wants the two words of each step, as the path puts them.
func TestThePathHasItsWords(t *testing.T) {
	steps := stepsOfACase(t)
	for _, key := range say.Keys() {
		s := say.List(key)
		if strings.HasPrefix(key, "step.") {
			assert.Len(t, s, 2, key)
			assert.Contains(t, steps, strings.TrimSuffix(strings.TrimPrefix(key, "step."), adult), "a step has a page")
		}
		if strings.HasPrefix(key, "field.") {
			assert.LessOrEqual(t, len(s), 2, "%s: a label, and a hint", key)
		}
	}
}

// Where the pages' code, templates and script stand.
const (
	rooms       = "../*/"
	testHelp    = "../webtest/"
	stepsFile   = "../barn/steps.go"
	scriptFiles = "../site/assets/*.js"
)

func templateSources(t *testing.T) map[string]string {
	files, err := filepath.Glob(rooms + "templates/*.html")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	out := map[string]string{}
	for _, f := range files {
		raw, err := os.ReadFile(f)
		require.NoError(t, err)
		out[f] = string(raw)
	}
	return out
}

// keyParts are the shared templates that are given a key.
var keyParts = []string{"heads", "print", "blank-row"}

func usesInTemplates(t *testing.T) (out []use) {
	for file, text := range templateSources(t) {
		funcs := map[string]any{"eq": 0, "ne": 0, "gt": 0, "lt": 0, "and": 0, "or": 0, "not": 0, "len": 0, "index": 0, "print": 0,
			"say": 0, "list": 0, "asset": 0, "scriptWords": 0, "th": 0, "slice": 0, "plain": 0, "join": 0, "dict": 0}
		trees, err := parse.Parse(file, text, "{{", "}}", funcs)
		require.NoError(t, err)
		for _, tree := range trees {
			walk(tree.Root, func(n parse.Node) {
				switch n := n.(type) {
				case *parse.CommandNode:
					id, ok := n.Args[0].(*parse.IdentifierNode)
					if !ok || id.Ident != "say" && id.Ident != "list" || len(n.Args) < 2 {
						return
					}
					key, ok := n.Args[1].(*parse.StringNode)
					if ok {
						out = append(out, use{key: key.Text, values: len(n.Args) - 2, whole: true, where: file})
					}
				case *parse.TemplateNode:
					if slices.Contains(keyParts, n.Name) {
						key := n.Pipe.Cmds[0].Args[0].(*parse.StringNode)
						out = append(out, use{key: key.Text, whole: true, where: file})
					}
				}
			})
		}
	}
	return out
}

// walk visits every node of a template.
func walk(n parse.Node, visit func(parse.Node)) {
	list := func(l *parse.ListNode) {
		if l != nil {
			for _, n := range l.Nodes {
				walk(n, visit)
			}
		}
	}
	pipe := func(p *parse.PipeNode) {
		if p != nil {
			walk(p, visit)
		}
	}
	visit(n)
	switch n := n.(type) {
	case *parse.ListNode:
		list(n)
	case *parse.ActionNode:
		pipe(n.Pipe)
	case *parse.PipeNode:
		for _, c := range n.Cmds {
			walk(c, visit)
		}
	case *parse.CommandNode:
		for _, a := range n.Args {
			walk(a, visit)
		}
	case *parse.IfNode:
		pipe(n.Pipe)
		list(n.List)
		list(n.ElseList)
	case *parse.RangeNode:
		pipe(n.Pipe)
		list(n.List)
		list(n.ElseList)
	case *parse.WithNode:
		pipe(n.Pipe)
		list(n.List)
		list(n.ElseList)
	case *parse.TemplateNode:
		pipe(n.Pipe)
	}
}

func sources(t *testing.T) (*token.FileSet, []*ast.File) {
	set := token.NewFileSet()
	names, err := filepath.Glob(rooms + "*.go")
	require.NoError(t, err)
	var out []*ast.File
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") || strings.HasPrefix(name, testHelp) {
			continue
		}
		f, err := parser.ParseFile(set, name, nil, 0)
		require.NoError(t, err)
		out = append(out, f)
	}
	require.NotEmpty(t, out)
	return set, out
}

// program are the sources of all packages: any of them may say a sentence.
func program(t *testing.T) (*token.FileSet, []*ast.File) {
	set := token.NewFileSet()
	var out []*ast.File
	for _, top := range []string{"agent", "cmd", "internal", "server"} {
		require.NoError(t, filepath.WalkDir(filepath.Join("../../..", top), func(name string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
				return err
			}
			f, err := parser.ParseFile(set, name, nil, 0)
			out = append(out, f)
			return err
		}))
	}
	return set, out
}

func usesInCode(t *testing.T) (out []use) {
	set, files := program(t)
	for _, f := range files {
		ast.Inspect(f, func(n ast.Node) bool {
			if lit, ok := n.(*ast.BasicLit); ok && lit.Kind == token.STRING {
				// Keys in a table are said by the code that goes through it.
				if text, _ := strconv.Unquote(lit.Value); say.Has(text) {
					out = append(out, use{key: text, values: -1, whole: true})
				}
			}
			call, ok := n.(*ast.CallExpr)
			if !ok || len(call.Args) == 0 {
				return true
			}
			if !says(call.Fun) {
				return true
			}
			where := set.Position(call.Pos()).String()
			switch arg := call.Args[0].(type) {
			case *ast.BasicLit:
				text, err := strconv.Unquote(arg.Value)
				require.NoError(t, err)
				out = append(out, use{key: text, values: len(call.Args) - 1, whole: true, where: where})
			case *ast.BinaryExpr:
				first := arg.X
				if longer, ok := first.(*ast.BinaryExpr); ok {
					first = longer.X
				}
				begin, ok := first.(*ast.BasicLit)
				if assert.True(t, ok, "%s: a family of keys begins with its name", where) {
					text, err := strconv.Unquote(begin.Value)
					require.NoError(t, err)
					out = append(out, use{key: text, where: where})
				}
			}
			return true
		})
	}
	return out
}

// TestNothingIsSaidBeforeTheLanguageIsChosen fails on a sentence in a package variable: it
// would be said when the program starts.
func TestNothingIsSaidBeforeTheLanguageIsChosen(t *testing.T) {
	set, files := program(t)
	for _, f := range files {
		for _, decl := range f.Decls {
			vars, ok := decl.(*ast.GenDecl)
			if !ok {
				continue
			}
			ast.Inspect(vars, func(n ast.Node) bool {
				if call, ok := n.(*ast.CallExpr); ok && says(call.Fun) {
					t.Errorf("%s: said before the language is chosen: make it a function", set.Position(n.Pos()))
				}
				_, later := n.(*ast.FuncLit)
				return !later
			})
		}
	}
}

// says knows the functions that say a sentence.
func says(f ast.Expr) bool {
	switch f := f.(type) {
	case *ast.Ident:
		return f.Name == "Say"
	case *ast.SelectorExpr:
		x, ok := f.X.(*ast.Ident)
		return ok && (x.Name == "words" && (f.Sel.Name == "Say" || f.Sel.Name == "List") || x.Name == "say" && (f.Sel.Name == "Text" || f.Sel.Name == "List"))
	}
	return false
}

var quoted = regexp.MustCompile(`"([a-z_]+)"`)

// usesInScript takes every quoted word of the scripts that is a key of theirs.
func usesInScript(t *testing.T) (out []use) {
	for file, script := range scripts(t) {
		for _, call := range regexp.MustCompile(`say\([^)]*`).FindAllString(script, -1) {
			for _, m := range quoted.FindAllStringSubmatch(call, -1) {
				out = append(out, use{key: "script." + m[1], values: -1, whole: true, where: file})
			}
		}
	}
	return out
}

// scripts are our own scripts by their files.
func scripts(t *testing.T) map[string]string {
	files, err := filepath.Glob(scriptFiles)
	require.NoError(t, err)
	require.NotEmpty(t, files)
	out := map[string]string{}
	for _, file := range files {
		raw, err := os.ReadFile(file)
		require.NoError(t, err)
		out[file] = string(raw)
	}
	return out
}

var (
	actions   = regexp.MustCompile(`(?s)\{\{.*?\}\}`)
	tagsOnly  = regexp.MustCompile(`(?s)<!--.*?-->|<[^>]*>`)
	words2    = regexp.MustCompile(`[A-Za-z]{2,}`)
	spoken    = regexp.MustCompile(`\s(aria-label|aria-description|title|placeholder|alt)="([^"]*[A-Za-z]{2,}[^"]*)"`)
	phrase    = regexp.MustCompile(`^[^\[\]]*[A-Za-z]{2,},? [A-Za-z]{2,}`) // and no selector
	sentences = regexp.MustCompile(`^[A-Z][a-z]+\b|[A-Za-z]{2,},? [A-Za-z]{2,}`)
)

// TestNoEnglishInTemplates finds words that stand in a template itself.
func TestNoEnglishInTemplates(t *testing.T) {
	names := []string{"thawtrail", "nbsp"} // no words of a language
	for file, text := range templateSources(t) {
		text = actions.ReplaceAllString(text, "")
		for _, m := range spoken.FindAllStringSubmatch(text, -1) {
			t.Errorf("%s: %s says %q: put it into english.txt", file, m[1], m[2])
		}
		for _, w := range words2.FindAllString(tagsOnly.ReplaceAllString(text, " "), -1) {
			if !slices.Contains(names, w) {
				t.Errorf("%s: %q stands in the template: put it into english.txt", file, w)
			}
		}
	}
}

// TestNoEnglishInCode finds sentences that stand in the code of the pages or in
// their script. Log lines and errors for the machine's owner stay in the code.
func TestNoEnglishInCode(t *testing.T) {
	set, files := sources(t)
	// Who is called with words of a protocol, of the log, or of an error.
	silent := []string{"Error", "Errorf", "Info", "Warn", "New", "Set", "Get", "WriteString", "TrimSuffix", "Format", "Choice"}
	for _, f := range files {
		var look func(n ast.Node) bool
		look = func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.ImportSpec, *ast.StructType:
				return false
			case *ast.CallExpr:
				if sel, ok := n.Fun.(*ast.SelectorExpr); ok && slices.Contains(silent, sel.Sel.Name) {
					return false
				}
			case *ast.KeyValueExpr: // the key of a map for a template
				ast.Inspect(n.Value, look)
				return false
			case *ast.IndexExpr:
				return false
			case *ast.BasicLit:
				if text, err := strconv.Unquote(n.Value); err == nil && n.Kind == token.STRING && sentences.MatchString(tagsOnly.ReplaceAllString(text, " ")) {
					t.Errorf("%s: %q stands in the code: put it into english.txt", set.Position(n.Pos()), text)
				}
			}
			return true
		}
		ast.Inspect(f, look)
	}
	for file, script := range scripts(t) {
		for _, m := range regexp.MustCompile(`"([^"\n]*)"`).FindAllStringSubmatch(stripped(script), -1) {
			if phrase.MatchString(m[1]) && m[1] != "use strict" {
				t.Errorf("%s: %q stands in the script: put it into english.txt", file, m[1])
			}
		}
	}
}

// stripped takes the remarks out of a script.
func stripped(script string) string {
	return regexp.MustCompile(`(?m)^\s*//.*$`).ReplaceAllString(script, "")
}
