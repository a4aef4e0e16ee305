package cli

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"reflect"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/spf13/cobra"

	"thawtrail/internal/refusal"
	"thawtrail/internal/wholefile"
)

// What an agent or a server is started with may be typed, stand in the environment or in
// one file of settings. What was typed counts first, then the environment, then the
// file; what is nowhere is as the help says.

// envPrefix stands before the name of a flag in the environment: --key-file is
// THAWTRAIL_KEY_FILE.
const envPrefix = "THAWTRAIL_"

// maxSettings bounds a file of settings.
const maxSettings = 64 << 10

// settings are the flags of one program that goes on, by which section of the file they are.
type settings struct {
	section string
	file    *flagOf
	flags   []*flagOf
}

func newSettings(section string, flags []*flagOf) *settings {
	return &settings{
		section: section, flags: flags,
		file: &flagOf{name: "settings", metavar: "FILE", help: "a file of settings, in TOML: what is not typed and not in the environment is read there"},
	}
}

func envName(flag string) string {
	return envPrefix + strings.ToUpper(strings.ReplaceAll(flag, "-", "_"))
}

// found is where a setting was found.
type found struct{ name, value, from string }

// read sets each flag that was not typed from the environment or the file, and says where
// each is from.
func (s *settings) read() (out []found, err error) {
	if value := os.Getenv(envName(s.file.name)); !s.file.given() && value != "" {
		s.file.texts = []string{value}
	}
	inFile, err := s.readFile()
	if err != nil {
		return nil, err
	}
	for _, f := range s.flags {
		from := "typed"
		switch value, set := os.LookupEnv(envName(f.name)); {
		case f.given():
		case set && value != "":
			f.texts, from = []string{value}, envName(f.name)
		case inFile[f.name] != "":
			f.texts, from = []string{inFile[f.name]}, s.file.text()
		default:
			from = ""
		}
		value := f.text()
		if f.secret && value != "" {
			value = "(not shown)"
		}
		out = append(out, found{f.name, value, from})
	}
	return out, nil
}

// readFile reads this daemon's section. The file may hold that of the other one too. A key
// that is no setting is refused with its line: a slip there would be a setting that nobody
// has.
func (s *settings) readFile() (map[string]string, error) {
	path := s.file.text()
	if path == "" {
		return nil, nil
	}
	raw, err := wholefile.Read(path, maxSettings)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, refusal.New(s.file.name, path, "a file of settings").Because("there is none")
	}
	if err != nil {
		return nil, err
	}
	sections := map[string][]*flagOf{}
	for _, d := range daemons() {
		sections[d.section] = d.flags
	}
	into := reflect.New(fileType(sections))
	decoder := toml.NewDecoder(bytes.NewReader(raw)).DisallowUnknownFields()
	if err := decoder.Decode(into.Interface()); err != nil {
		return nil, refusal.New(s.file.name, path, "a file of settings, in TOML").Because(slipOf(err))
	}
	section := into.Elem().FieldByName(fieldName(s.section))
	out := map[string]string{}
	for _, f := range s.flags {
		switch v := section.FieldByName(fieldName(f.name)).Interface().(type) {
		case nil:
		case string, bool, int64:
			out[f.name] = fmt.Sprint(v)
		default:
			return nil, refusal.New(s.file.name, path, "a file of settings, in TOML").Because(s.section + "." + f.name + " is no text, number, true or false")
		}
	}
	return out, nil
}

// fileType is the shape of the file: its sections with the flags of each.
func fileType(sections map[string][]*flagOf) reflect.Type {
	var fields []reflect.StructField
	for _, d := range daemons() {
		var keys []reflect.StructField
		for _, f := range sections[d.section] {
			keys = append(keys, tomlField(f.name, reflect.TypeFor[any]()))
		}
		fields = append(fields, tomlField(d.section, reflect.StructOf(keys)))
	}
	return reflect.StructOf(fields)
}

func tomlField(name string, t reflect.Type) reflect.StructField {
	return reflect.StructField{Name: fieldName(name), Type: t, Tag: reflect.StructTag(fmt.Sprintf(`toml:"%s"`, name))}
}

// fieldName is a flag's name as that of a field.
func fieldName(flag string) string { return "F_" + strings.ReplaceAll(flag, "-", "_") }

// slipOf says what is wrong in a file, and in which line.
func slipOf(err error) string {
	var unknown *toml.StrictMissingError
	if errors.As(err, &unknown) && len(unknown.Errors) > 0 {
		e := unknown.Errors[0]
		row, _ := e.Position()
		return fmt.Sprintf("line %d: %s is no setting", row, strings.Join(e.Key(), "."))
	}
	var wrong *toml.DecodeError
	if errors.As(err, &wrong) {
		row, _ := wrong.Position()
		return fmt.Sprintf("line %d: %s", row, wrong.Error())
	}
	return err.Error()
}

// daemons are the sections that a file can have.
func daemons() []*settings {
	return []*settings{newAgentFlags().settings("agent"), newServerFlags().settings("server"), newHostFlags().settings()}
}

// configCommand shows what a daemon would be started with, and where each setting is from.
func (d *console) configCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use: "config agent|server|host", Short: "What a program would be started with, and where each setting is from",
		Example: "config agent --settings thawtrail.toml", Args: oneWord("agent, server or host"), DisableFlagsInUseLine: true,
	}
	file, asJSON := newSettings("", nil).file, jsonFlag()
	bindFlags(cmd.Flags(), file)
	bindCommon(cmd.Flags(), asJSON)
	cmd.RunE = func(_ *cobra.Command, words []string) error {
		for _, s := range daemons() {
			if s.section == words[0] {
				s.file = file
				return d.showSettings(s, asJSON.text() == "true")
			}
		}
		return refusal.New("program", words[0], "agent, server or host")
	}
	return cmd
}

func (d *console) showSettings(s *settings, asJSON bool) error {
	all, err := s.read()
	if err != nil {
		return err
	}
	if asJSON {
		object := map[string]any{}
		for _, f := range all {
			object[f.name] = map[string]string{"value": f.value, "from": f.from}
		}
		return d.object(object)
	}
	var rows []tableRow
	for i, f := range all {
		if f.from == "" {
			rows = append(rows, tableRow{cells: []string{f.name, "", "not set"}, below: []string{s.flags[i].help}})
			continue
		}
		rows = append(rows, tableRow{cells: []string{f.name, line(f.value), line(f.from)}})
	}
	newPage(d.out).table([]column{{head: "setting", whole: true}, {head: "value"}, {head: "from"}}, rows)
	return nil
}
