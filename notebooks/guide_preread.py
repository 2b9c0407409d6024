# ---
# jupyter:
#   jupytext:
#     formats: ipynb,py:percent
#     text_representation:
#       extension: .py
#       format_name: percent
#   kernelspec:
#     display_name: Python 3
#     language: python
#     name: python3
# ---

# %% [markdown]
# # Reading a slope before going there
#
# For a mountain guide. A line of travel over Mount Ysterra, an invented mountain, is read stretch by stretch: what is
# above, what happens to somebody caught here, and where no start zone in this model reaches.
#
# **Planning and training aid.** The model results are uncertain: debris and people can lie outside the drawn areas.
# Not a hazard forecast and no basis for go or no-go decisions. In a real accident follow your training, the incident
# lead and the local rescue service. Learn and practise with a qualified instructor. Local rules come first.

# %%
import tempfile
from pathlib import Path

import geopandas
from IPython.display import Image, Markdown, display
from shapely.geometry import LineString, box

import lastseen

DEM = lastseen.demo_file("ysterra.tif")
FOLDER = Path(tempfile.mkdtemp())

# %% [markdown]
# ## A line
#
# Any vector file will do, such as the GPX of a map or a watch. Here it is drawn in the grid of the map: from the flat
# below the open slope up over the bench.

# %%
line = LineString([(561180, 7301400), (561200, 7301000), (561235, 7300850), (561120, 7300700), (561000, 7300580)])
geopandas.GeoSeries([line], crs="EPSG:32631").to_crs(4326).to_file(FOLDER / "line.gpkg")
question = lastseen.Scenario(
    elevation=(DEM,), name="Ysterra, up over the bench (invented place)", snow=lastseen.Snow(size=2), seed=7
)
view = lastseen.read_line(question, FOLDER / "line.gpkg", members=8)

# %%
stretches = lastseen.result_of(view).tables["stretches"]
head = list(stretches.head)
table = [head, ["---"] * len(head), *stretches.rows]
display(
    Markdown("\n".join("| " + " | ".join("" if cell is None else str(cell) for cell in row) + " |" for row in table))
)

# %% [markdown]
# ## What to look at
#
# The stretch where most is against stopping, in full sentences. Find each thing that it names on the map below.

# %%
worst = max(
    view.reading.stretches,
    key=lambda stretch: stretch.exposure * max(stretch.burial, stretch.trauma, stretch.water, stretch.no_way_out),
)
sentences = {stretch["number"]: stretch["sentence"] for stretch in lastseen.result_of(view).numbers["stretches"]}
display(Markdown(f"**Stretch {worst.number}.** {sentences[worst.number]}"))

# %%
lastseen.write(view, FOLDER / "line")
display(Image(FOLDER / "line" / "strip.png", width=900))
display(Image(FOLDER / "line" / "map.png", width=900))

# %% [markdown]
# ## Would another size change it?
#
# The same line for a size 3: more of the line is reached, and those who are caught go farther.

# %%
larger = lastseen.read_line(
    lastseen.Scenario(elevation=(DEM,), snow=lastseen.Snow(size=3), seed=7), FOLDER / "line.gpkg", members=8
).reading
for name, reading in (("size 2", view.reading), ("size 3", larger)):
    reached = sum(stretch.length_m for stretch in reading.stretches if stretch.state == "reached")
    print(f"{name}: {reached:.0f} of {reading.route.length_m:.0f} m reached from above")

# %% [markdown]
# ## A slope read everywhere
#
# Each start-zone cell of a piece of ground is carried down; at each cell: the share of the events in which anything
# comes over it. On the command line: `lastseen preread DEM --area all -o DIR`, and for a range of mountains with
# `--workers` or `--scheduler`.

# %%
geopandas.GeoSeries([box(561000, 7300500, 561500, 7301300)], crs="EPSG:32631").to_file(FOLDER / "area.gpkg")
area = lastseen.read_area(question, FOLDER / "area", area=str(FOLDER / "area.gpkg"), members=4)
lastseen.write(area, FOLDER / "area")
numbers = lastseen.result_of(area).numbers
display(Image(FOLDER / "area" / "map.png", width=900))

# %%
assert worst.exposure > 0.5, "the bench lies under an open slope"
assert numbers["worst_start_zones"], "some start zones reach this ground"
