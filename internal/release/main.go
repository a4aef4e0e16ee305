// Command release packs the program for the systems that people have. It is called by
// .ci/release, which brings the tools; it is no part of the program.
//
//	release build FOLDER  writes all files of a release into an empty folder
//	release notices       writes the licences of all libraries beside the program
//
// Run it at the top of the repository.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"
)

// target is a system that the program is built for.
type target struct{ os, arch string }

var targets = []target{
	{"darwin", "amd64"}, {"darwin", "arm64"}, {"linux", "amd64"}, {"linux", "arm64"}, {"windows", "amd64"}, {"windows", "arm64"},
}

func (t target) env() []string {
	return []string{"GOOS=" + t.os, "GOARCH=" + t.arch, "CGO_ENABLED=0"}
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, os.Args[1:])
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "release: "+err.Error())
		os.Exit(1)
	}
}

func run(ctx context.Context, args []string) error {
	switch {
	case len(args) == 2 && args[0] == "build":
		return build(ctx, args[1])
	case len(args) == 1 && args[0] == "notices":
		text, err := notices(ctx)
		if err != nil {
			return err
		}
		return os.WriteFile(noticesFile, []byte(text), 0o644) // #nosec G306 -- it is kept with the source
	}
	return errors.New("say what: build FOLDER, or notices")
}
