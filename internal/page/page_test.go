package page

import "regexp"

var regexpBag = regexp.MustCompile(`name="bags" value="([0-9A-Z]{9})"`)
