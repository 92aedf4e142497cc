"""The command line: one short function a command; parse, call one public function, print."""
