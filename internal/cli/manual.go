package cli

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"thawtrail/internal/say"
)

// Manuals are the pages for `man`, made from the same tree as the help: by the name of
// its file, one for each word that can stand first and one for the program. The release
// packs them; no program carries them. On each stand the version and the day given.
func Manuals(version, day string) (map[string]string, error) {
	if err := say.Speak(say.English); err != nil {
		return nil, err
	}
	d := newDesk(io.Discard, io.Discard)
	d.address = defaultAddress // whatever it is where the pages are made
	root := d.root()
	pages := map[string]string{"thawtrail.1": rootManual(root, version, day)}
	for _, c := range visible(root.Commands()) {
		pages["thawtrail-"+c.Name()+".1"] = commandManual(c, version, day)
	}
	return pages, nil
}

// manual is one page in the language of man(7).
type manual struct{ b strings.Builder }

func newManual(name, short, version, day string) *manual {
	m := &manual{}
	m.macro("TH", strings.ToUpper(name), "1", day, "thawtrail "+version, "thawtrail")
	m.macro("SH", "NAME")
	m.b.WriteString(roff(name) + ` \- ` + roff(short) + "\n")
	return m
}

// macro begins a line that tells how to lay out what follows.
func (m *manual) macro(name string, words ...string) {
	m.b.WriteString("." + name)
	for _, w := range words {
		m.b.WriteString(` "` + strings.ReplaceAll(roff(w), `"`, `\(dq`) + `"`)
	}
	m.b.WriteString("\n")
}

func (m *manual) text(s string) {
	for l := range strings.Lines(s) {
		l = roff(strings.TrimRight(l, "\n"))
		if strings.HasPrefix(l, ".") || strings.HasPrefix(l, "'") {
			l = `\&` + l // it would be a macro
		}
		m.b.WriteString(l + "\n")
	}
}

// asTyped is a text whose lines stay as they are.
func (m *manual) asTyped(s string) {
	m.macro("PP")
	m.macro("nf")
	m.text(s)
	m.macro("fi")
}

// pairs are words with what they mean, one below the other.
func (m *manual) pairs(pairs [][2]string) {
	for _, pair := range pairs {
		m.macro("TP")
		m.macro("B", pair[0])
		m.text(pair[1])
	}
}

// roff keeps a text what it is: a backslash begins a command there, and a bare hyphen may
// become another character, which nobody could copy into a shell.
func roff(s string) string { return strings.NewReplacer(`\`, `\e`, "-", `\-`).Replace(s) }

func rootManual(root *cobra.Command, version, day string) string {
	m := newManual("thawtrail", root.Short, version, day)
	m.macro("SH", "SYNOPSIS")
	m.macro("B", "thawtrail COMMAND")
	m.macro("SH", "DESCRIPTION")
	m.asTyped(overview)
	for _, g := range grouped(root) {
		m.macro("SH", strings.ToUpper(g.title))
		m.pairs(commandPairs(g.cmds))
	}
	m.macro("SH", "EXIT STATUS")
	m.pairs([][2]string{
		{fmt.Sprint(exitDone), "It was done."},
		{fmt.Sprint(exitFailed), "It failed, or its output could not be written."},
		{fmt.Sprint(exitRefused), "What was typed was refused; nothing was changed."},
	})
	m.macro("SH", "ENVIRONMENT")
	m.pairs([][2]string{
		{envAddress, "The agent or server that is asked (" + defaultAddress + ")."},
		{envLanguage, "The language in which people are spoken to."},
		{envPrefix + "FLAG", "A flag of agent or server that was not typed: --key-file is " + envName("key-file") + "."},
	})
	m.macro("SH", "SEE ALSO")
	m.text("Each command has a page of its own, such as thawtrail-stock(1).")
	return m.b.String()
}

func commandManual(top *cobra.Command, version, day string) string {
	m := newManual("thawtrail-"+top.Name(), top.Short, version, day)
	if top.Example != "" {
		m.command("SYNOPSIS", top)
	}
	m.below(top)
	m.macro("SH", "SEE ALSO")
	m.text("thawtrail(1)")
	return m.b.String()
}

// below are the commands that go on from one.
func (m *manual) below(c *cobra.Command) {
	for _, sub := range visible(c.Commands()) {
		if sub.Example != "" {
			m.command(sub.CommandPath(), sub)
		}
		m.below(sub)
	}
}

// command is all that the help says of one.
func (m *manual) command(title string, c *cobra.Command) {
	m.macro("SH", title)
	m.macro("B", c.UseLine())
	m.macro("PP")
	m.text(c.Short + ".")
	for _, alias := range alsoOf(c) {
		m.text("Also: thawtrail " + alias + ".")
	}
	for _, s := range helpSections(c) {
		m.macro("SS", s.title)
		m.pairs(s.pairs)
	}
	m.macro("SS", "For example")
	m.asTyped("thawtrail " + c.Example)
}
