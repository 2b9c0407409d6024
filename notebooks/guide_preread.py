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
from shapely.geometry import LineString

from lastseen.core.machine import shared_folder
from lastseen.core.scenario import Scenario, Snow
from lastseen.jobs.reading.block_reading import read_area
from lastseen.jobs.reading.line import view_line
from lastseen.jobs.reading.line import stretch_sentence, table_rows
from lastseen.output.results.ground import result_of_line
from lastseen.output.write import write_result
from lastseen.terrain.elevation import open_elevation, read_window

DEM = shared_folder("demo") / "ysterra.tif"
FOLDER = Path(tempfile.mkdtemp())

# %% [markdown]
# ## A line
#
# Any vector file will do, such as the GPX of a map or a watch. Here it is drawn in the grid of the map: from the flat
# below the open slope up over the bench.

# %%
line = LineString([(561180, 7301400), (561200, 7301000), (561235, 7300850), (561120, 7300700), (561000, 7300580)])
geopandas.GeoSeries([line], crs="EPSG:32631").to_crs(4326).to_file(FOLDER / "line.gpkg")
question = Scenario(elevation=(DEM,), name="Ysterra, up over the bench (invented place)", snow=Snow(size=2), seed=7)
view = view_line(question, FOLDER / "line.gpkg", members=8)

# %%
head, rows = table_rows(view.reading)
table = [head, ["---"] * len(head), *rows]
display(Markdown("\n".join("| " + " | ".join(row) + " |" for row in table)))

# %% [markdown]
# ## What to look at
#
# The stretch where most is against stopping, in full sentences. Find each thing that it names on the map below.

# %%
worst = max(
    view.reading.stretches, key=lambda one: one.exposure * max(one.burial, one.trauma, one.water, one.no_way_out)
)
display(Markdown(f"**Stretch {worst.number}.** {stretch_sentence(view.reading, worst)}"))

# %%
written = write_result(result_of_line(view), FOLDER / "line")
display(Image(FOLDER / "line" / "strip.png", width=900))
display(Image(FOLDER / "line" / "map.png", width=900))

# %% [markdown]
# ## Would another size change it?
#
# The same line for a size 3: more of the line is reached, and those who are caught go farther.

# %%
larger = view_line(Scenario(elevation=(DEM,), snow=Snow(size=3), seed=7), FOLDER / "line.gpkg", members=8).reading
for name, reading in (("size 2", view.reading), ("size 3", larger)):
    reached = sum(one.length_m for one in reading.stretches if one.state == "reached")
    print(f"{name}: {reached:.0f} of {reading.route.length_m:.0f} m reached from above")

# %% [markdown]
# ## A slope read everywhere
#
# Each start-zone cell of a piece of ground is carried down; at each cell: the share of the events in which anything
# comes over it. On the command line: `lastseen preread DEM --area all -o DIR`, and for a range of mountains with
# `--workers` or `--scheduler`.

# %%
elevation = open_elevation((DEM,))
ground = read_window(elevation, (561000, 7300500, 561500, 7301300))
area = read_area(ground, Snow(size=2), members=8, spacing_m=10.0)
share = float((area.mask > 0).mean())
print(f"{len(area.rows)} start zones; snow comes over {100 * share:.0f} % of this ground in at least one of 8 events")

# %%
assert worst.exposure > 0.5, "the bench lies under an open slope"
assert 0.0 < share < 1.0
