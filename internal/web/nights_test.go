package web

import (
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/caution"
	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/event"
	"thawtrail/internal/query"
	"thawtrail/internal/testrun"
)

// forms is a person who fills in the pages' forms: what is typed at the command line
// goes field by field into the form of the same entry.
type forms struct {
	*laptop
	known map[string]bool // cases and bags so far
}

func (h *forms) Wait(d time.Duration) { h.clock.Advance(d) }
func (h *forms) Records() int         { return int(h.replica.Store.Records()) }

// Type opens the page, fills in its form and reads what the next page says.
func (h *forms) Type(line string) entrytest.Answer {
	words := entrytest.Words(line)
	if path := questionPage(words); path != "" {
		return entrytest.Answer{Text: plainText(h.get(path)), Raised: func(string) bool { return false }}
	}
	spec, rest := specOfLine(words)
	require.NotNil(h.t, spec, "no page for %q", line)
	path := "/write/" + spec.Name
	code, to, body := h.send(path, h.fields(h.get(path), h.typed(spec, rest)...))
	if code == http.StatusUnprocessableEntity {
		return h.refusedWith(plainText(body), body)
	}
	require.Equal(h.t, http.StatusSeeOther, code, "%s\n%s", line, plainText(body))
	text := plainText(h.get(to))
	return entrytest.Answer{Made: h.made(), Text: text, Raised: func(code string) bool { return shows(text, code) }}
}

// questionPage is the page that answers a question; empty: it is an entry.
func questionPage(words []string) string {
	switch {
	case words[0] == "case":
		return "/case/" + words[1] + "/sheet"
	case words[0] == "now":
		return "/barn"
	case words[0] == "bag" && words[1] == "show":
		return "/bag/" + words[2]
	}
	return ""
}

// refusedWith reads a page that is shown again.
func (h *forms) refusedWith(text, body string) entrytest.Answer {
	require.Contains(h.t, body, `role="alert"`, "a page that refuses says so aloud")
	return entrytest.Answer{Refused: true, Text: text, Raised: func(code string) bool {
		return shows(text, code) || strings.Contains(body, `name="override.`+code+`"`)
	}}
}

// shows says that a page holds the words of a caution, whatever its numbers.
func shows(text, code string) bool {
	k, known := caution.Lookup(code)
	if !known {
		return false
	}
	verbs := regexp.MustCompile(`%[sdv]`)
	want := verbs.ReplaceAllString(regexp.QuoteMeta(strings.ReplaceAll(k.Format, "%%", "%")), `.+?`)
	return regexp.MustCompile(want).MatchString(text)
}

// specOfLine finds the entry whose words a line begins with.
func specOfLine(words []string) (*event.Spec, []string) {
	for n := min(2, len(words)); n > 0; n-- {
		start := strings.Join(words[:n], " ")
		for _, s := range event.All() {
			if c := s.Rule.GetCommand(); c != "" && (c == start || slices.Contains(s.Rule.GetAliases(), start)) {
				return s, words[n:]
			}
		}
	}
	return nil, nil
}

// typed turns arguments and flags into fields of the form and their values.
func (h *forms) typed(spec *event.Spec, words []string) (pairs []string) {
	args := spec.Rule.GetArgs()
	for i := 0; i < len(words); i++ {
		flag, isFlag := strings.CutPrefix(words[i], "--")
		if !isFlag {
			require.NotEmpty(h.t, args, "%s: what is %q?", spec.Name, words[i])
			pairs = append(pairs, args[0], words[i])
			if f := spec.Message().Fields().ByName(protoreflect.Name(args[0])); f == nil || !f.IsList() {
				args = args[1:]
			}
			continue
		}
		if flag == "all" {
			pairs = append(pairs, ticked(spec)...)
			continue
		}
		name, yes := h.fieldOf(spec, flag)
		if yes {
			pairs = append(pairs, name, "yes")
			continue
		}
		i++
		require.Less(h.t, i, len(words), "--%s wants a value", flag)
		if code, reason, ok := strings.Cut(words[i], "="); ok && name == "override" {
			pairs = append(pairs, "override."+code, reason)
			continue
		}
		pairs = append(pairs, name, words[i])
	}
	return pairs
}

// ticked are all boxes of a check.
func ticked(spec *event.Spec) (pairs []string) {
	fields := spec.Message().Fields()
	for i := range fields.Len() {
		if f := fields.Get(i); f.Kind() == protoreflect.BoolKind {
			pairs = append(pairs, string(f.Name()), "yes")
		}
	}
	return pairs
}

// fieldOf is the field of the form that a flag stands for, and whether it is a box to
// tick.
func (h *forms) fieldOf(spec *event.Spec, flag string) (name string, yes bool) {
	fields := spec.Message().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		rule := event.RuleOf(f)
		if rule.Flag == flag || rule.Flag == "" && strings.ReplaceAll(string(f.Name()), "_", "-") == flag ||
			f.IsList() && strings.TrimSuffix(strings.ReplaceAll(string(f.Name()), "_", "-"), "s") == flag {
			return string(f.Name()), f.Kind() == protoreflect.BoolKind
		}
	}
	switch flag {
	case "when":
		return "happened_at", false
	case "override":
		return "override", false
	}
	require.FailNow(h.t, "no field of "+spec.Name+" for --"+flag)
	return "", false
}

// made are the cases and bags that were not there before.
func (h *forms) made() (ids []string) {
	err := query.Reader{Replica: h.replica}.View(h.t.Context(), func(b *query.ReadView) error {
		for _, kind := range []string{event.KindCase, event.KindBag} {
			all, err := b.StartingWith(kind, "", 100)
			if err != nil {
				return err
			}
			for _, id := range all {
				if !h.known[id] {
					h.known[id] = true
					ids = append(ids, id)
				}
			}
		}
		return nil
	})
	require.NoError(h.t, err)
	return ids
}

// TestNightsByPage plays the table of nights through the forms of the pages.
func TestNightsByPage(t *testing.T) {
	every := testrun.Of(3, 1) // a plain run plays each third; commands play all
	for i, v := range entrytest.Vignettes(t, "../../testdata/vignettes/nights.csv") {
		if i%every != 0 {
			continue
		}
		t.Run(v.Patient, func(t *testing.T) { v.Play(t, &forms{newLaptop(t), map[string]bool{}}) })
	}
}
