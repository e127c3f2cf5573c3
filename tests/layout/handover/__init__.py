"""Tests of handing a car file over."""
