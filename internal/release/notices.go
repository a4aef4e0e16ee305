package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

// noticesFile is where the program reads them.
const noticesFile = "cmd/thawtrail/shipped/notices.txt"

// maxNotices bounds them: they lie in every program.
const maxNotices = 512 << 10

// licenceName is how files are called that a library wants to go with it.
var licenceName = regexp.MustCompile(`(?i)^(licen[cs]e|copying|notice|patents)(\..*)?$`)

// packages asks the Go command, for one system, which packages of which libraries the
// program is made of.
const packages = `{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}}{{"\t"}}{{.Dir}}{{"\t"}}{{$.Dir}}{{end}}{{end}}`

// notices are the licences of all that any of our programs contains. One text that many
// libraries share is printed once, below their names.
func notices(ctx context.Context) (string, error) {
	texts := map[string][]string{} // libraries by text
	for _, t := range targets {
		if err := gatherLicences(ctx, t, texts); err != nil {
			return "", err
		}
	}
	root, err := goCommand(ctx, nil, "env", "GOROOT")
	if err != nil {
		return "", err
	}
	for path, name := range map[string]string{
		filepath.Join(strings.TrimSpace(root), "LICENSE"): "The Go programming language and its library",
		"internal/web/site/kept/zxing.txt":                "@zxing/library, in the pages that read codes with the camera",
	} {
		if err := gather(texts, name, path); err != nil {
			return "", err
		}
	}
	text := layNotices(texts)
	if len(text) > maxNotices {
		return "", fmt.Errorf("the notices have %d bytes, and every program would carry them: %d is the most", len(text), maxNotices)
	}
	return text, nil
}

func gatherLicences(ctx context.Context, t target, texts map[string][]string) error {
	list, err := goCommand(ctx, t.env(), "list", "-deps", "-f", packages, "./cmd/thawtrail")
	if err != nil {
		return err
	}
	found := map[string]bool{}
	for line := range strings.Lines(list) {
		fields := strings.Split(strings.TrimSpace(line), "\t")
		if len(fields) != 3 {
			continue
		}
		name, root, dir := fields[0], fields[1], fields[2]
		found[name] = found[name] || false
		for ; strings.HasPrefix(dir, root); dir = filepath.Dir(dir) {
			n, err := gatherFolder(texts, name, dir)
			if err != nil {
				return err
			}
			found[name] = found[name] || n > 0
		}
	}
	for _, name := range slices.Sorted(maps.Keys(found)) {
		if !found[name] {
			return errors.New(name + " has no licence that could be found: look for it, or do without that library")
		}
	}
	return nil
}

// gatherFolder takes the licences that lie in one folder of a library.
func gatherFolder(texts map[string][]string, name, dir string) (n int, err error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return 0, err
	}
	for _, e := range entries {
		if e.Type()&fs.ModeType != 0 || !licenceName.MatchString(e.Name()) {
			continue
		}
		if err := gather(texts, name, filepath.Join(dir, e.Name())); err != nil {
			return 0, err
		}
		n++
	}
	return n, nil
}

func gather(texts map[string][]string, name, path string) error {
	raw, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	text := strings.TrimSpace(strings.ReplaceAll(string(raw), "\r\n", "\n"))
	if !slices.Contains(texts[text], name) {
		texts[text] = append(texts[text], name)
	}
	return nil
}

// layNotices lays them out, in an order that depends on nothing but themselves.
func layNotices(texts map[string][]string) string {
	type part struct{ names, text string }
	var parts []part
	for text, names := range texts {
		slices.Sort(names)
		parts = append(parts, part{strings.Join(names, "\n"), text})
	}
	slices.SortFunc(parts, func(a, b part) int { return strings.Compare(a.names+"\n"+a.text, b.names+"\n"+b.text) })
	var out strings.Builder
	out.WriteString("thawtrail contains the libraries below. Each stands under the text that follows it.\n")
	rule := strings.Repeat("=", 78)
	for _, p := range parts {
		fmt.Fprintf(&out, "\n%s\n%s\n%s\n\n%s\n", rule, p.names, rule, p.text)
	}
	return out.String()
}

// goCommand asks the Go command.
func goCommand(ctx context.Context, env []string, args ...string) (string, error) {
	return command(ctx, env, "go", args...)
}

// command runs a tool and gives what it printed; what it complained of is the error.
func command(ctx context.Context, env []string, name string, args ...string) (string, error) {
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Env = append(os.Environ(), env...)
	var out, errs strings.Builder
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		return "", fmt.Errorf("%s %s: %w: %s", name, strings.Join(args, " "), err, strings.TrimSpace(errs.String()))
	}
	return out.String(), nil
}
