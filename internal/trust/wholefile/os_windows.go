package wholefile

const isWindows = true
