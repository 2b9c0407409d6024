"""Reading a slope: along a line of travel, over an area, over a range of mountains."""
