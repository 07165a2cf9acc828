package record

// Version is the program's own version, written into every record.
const Version = "0.1.0"
