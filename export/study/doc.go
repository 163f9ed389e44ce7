// Package study compares readers' tables with measured rows: how far people and
// program agree, and how many films a reader of the work list would have to
// read to meet the findings.
package study
