// Command standwatch is the alarm master.
package main

func main() {}
