package trust

const isWindows = true
