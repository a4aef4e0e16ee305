// Package night clicks through a foaling night in a real browser, with the real
// program: the clinic's server and two laptops' agents are processes of their
// own, each with its own folder, and the wires between them are really cut. One
// laptop is really killed in mid-transfusion.
//
// What the people of the story do, they do on the pages. The services are only
// asked, and only for what no page can prove: that all three hold the same books.
//
// The programs run on the machine's clock moved ahead: when the story waits for a
// thaw, all three clocks are moved on together, as if that time had passed in
// sleep. Nothing else about them differs from what a practice runs.
//
//	go test -tags browser ./internal/web/night
package night
