package web

import (
	"html"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/intake"
	"thawtrail/internal/say"
)

// inPseudo has all said in the language that is none until the test ends.
func inPseudo(t *testing.T) {
	t.Helper()
	require.NoError(t, say.Speak(say.Pseudo))
	t.Cleanup(func() { require.NoError(t, say.Speak("")) })
}

// typedHere are the words that the practice of the tests typed, and codes that are the
// same in every language: nothing of it is a sentence of the program.
var typedHere = []string{
	"Alder Creek Equine", "M. Alder", "J. Reed", "P. Hollis", "G. Groom", "Morning Tide", "by telephone", "Quiet Harbour", "Her Serene Highness of the Upper Meadows Beyond the Long Wood",
	"Far Meadow", "Low Meadow", "star, near hind sock", "bay", "left jugular", "Foal plasma", "Wattle Biologics", "One bag for a foal of 50 kg.", "Slowly at first.",
	"Thaw in water of no more than 37 C.", "horse", "newborn foal", "north car", "clinic freezer", "north laptop", "Clamp shut. Leave the catheter in.", "adrenaline",
	"flunixin", "vein, slowly", "vein", "once; call the vet", "barn immunoassay", "dam", "AUD", "Australia/Sydney", "thawtrail import", "thawtrail server restore", "thawtrail restore", "backup-to", "thawtrail", "zzz", "-18 C or colder",
}

var (
	unread = regexp.MustCompile(`(?s)<(script|style|textarea|code|kbd|svg)\b.*?</(?:script|style|textarea|code|kbd|svg)>`)
	// data are numbers of bags, cases and records, moments, versions and addresses.
	data = regexp.MustCompile(`\b[0-9A-Z]{2,5}(?:-[0-9A-Z]{1,4}){1,4}\b|\b[0-9A-Z]{8,10}\b|\b[A-Z]*\d[0-9A-Z]*\b|\b[0-9a-f]{6,}\b|\b(?:on )?(?:(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun)[a-z]* )?` +
		`(?:\d{1,2} (?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)[a-z]*(?: \d{4})?|\d{4}-\d\d-\d\d)|\b(?:AEDT|AEST|UTC|GMT)\b|\bengine-\d+|https?://\S+|[a-z]+_[a-z_]+`)
	plainWord = regexp.MustCompile(`(?:^|[^\pL\pM])([A-Za-z]{3,})(?:$|[^\pL\pM])`)
)

// heads are the names of columns, as a file has them in every language.
func heads() (out []string) {
	for _, k := range append(slices.Clone(intake.Kinds), *intake.Delivery) {
		needed, more := k.Names()
		out = append(out, strings.Join(needed, ", "), strings.Join(more, ", "))
	}
	return slices.DeleteFunc(out, func(s string) bool { return s == "" })
}

// unsaid finds what people read of a page that is neither data nor said by the catalogue.
func unsaid(page string) (out []string) {
	for _, text := range strings.FieldsFunc(tags.ReplaceAllString(unread.ReplaceAllString(page, ""), "\x00"), func(r rune) bool { return r == 0 || r == '\n' }) {
		text = strings.TrimSpace(html.UnescapeString(text))
		rest := text
		for _, typed := range slices.Concat(typedHere, heads()) {
			rest = strings.ReplaceAll(rest, typed, "")
		}
		rest = data.ReplaceAllString(rest, "")
		for m := plainWord.FindStringSubmatchIndex(rest); m != nil; m = plainWord.FindStringSubmatchIndex(rest) {
			if word := rest[m[2]:m[3]]; !slices.Contains(say.Symbols(), word) && !slices.Contains(out, text) {
				out = append(out, text)
			}
			rest = rest[m[3]:]
		}
	}
	return out
}

// TestEverySentenceIsInTheCatalogue shows every page in the language that is none: what
// people read without accents was said by no catalogue.
func TestEverySentenceIsInTheCatalogue(t *testing.T) {
	inPseudo(t)
	d := newLaptop(t)
	id, bag := d.toRunning()
	pages := d.everyPage(id, bag)
	d.clock.Advance(15 * time.Minute)
	d.fill("/case/"+id+"/run", "temperature_dc", "39.4", "heart_rate", "126", "breathing_rate", "52", "given_ml", "19")
	seen := map[string]bool{}
	for _, p := range pages {
		if strings.Contains(p, ".svg") || strings.Contains(p, "/csv/") {
			continue
		}
		for _, text := range unsaid(d.get(p)) {
			if !seen[text] {
				assert.Fail(t, "not in the catalogue", "%s: %s", p, text)
			}
			seen[text] = true
		}
	}
}
