"""What every part of the station file is made of."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

Identifier = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9._-]{1,64}$")]
ChannelName = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9:./_-]{0,127}$")]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
ClockTime = Annotated[str, StringConstraints(pattern=r"^([01]\d|2[0-3]):[0-5]\d$")]


class Model(BaseModel):
    """Frozen; an unknown key is a fault."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)
