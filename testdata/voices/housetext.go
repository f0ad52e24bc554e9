package main

// The texts of the demo house. Invented for it.
const (
	lowWater = `Chapter one. [pause 1.2] Low Water. [pause 1.3]
The salt road is only a road for five hours in the day. For the rest it belongs to the sea.
Mira had crossed it with her father when she was small enough to ride on the sacks. Now she had the mule, the cart and the ledger. She waited for the last of the shine to leave the stones. Then she clicked her tongue, and the wheels began to speak.`

	weighHouse = `Chapter two. [pause 1.2] The Weigh House. [pause 1.3]
They weighed everything twice in Oster, once for the town and once for the truth. The clerk was a thin man with ink on his collar.
He put the stones on the pan as if they might wake. Your sacks are light, he said, by the weight of a cat. Mira looked at the beam, and at the thumb that rested on it.
Perhaps the cat belongs to you. He moved the thumb.`

	letterNorth = `Chapter three. [pause 1.2] A Letter North. [pause 1.3]
Dear sister, the house stands, which is more than can be said for the fence. The bees came through the winter and so did I.
You asked what the sea takes for its toll this year. Two boats, a jetty, and the old bell, which I confess I do not miss.
Send the girl before the spring tides if you mean to send her. I have aired the small room.`

	twoLanterns = `Chapter four. [pause 1.2] Two Lanterns. [pause 1.3]
One lantern meant a traveller. Two lanterns meant a traveller in trouble.
[shout 5] Who is out there? Nothing answered but the ropes. She tied the mule to the post and took the long pole. The sand was soft, and it remembered every step.`

	crossingInes = `Chapter five. [pause 1.2] The Crossing. [pause 1.3]
At the sixth marker the lights stood still. A cart had sunk to its axle, and beside it sat an old man, eating an apple.`

	crossingTobias = `I thought I would finish it, he said, before the water did. It seemed a pity to share. He held out the half that was left.
There are worse places to be polite.`

	millRace = `Chapter six. [pause 1.2] The Mill Race. [pause 1.3]
Spring came down the valley all at once, and the mill could not hold it. The wheel turned so fast that the stones smoked. Mira saw the gate lift out of its groove.
[shout 14] Hesk! Let go. He heard her over the water, which nobody had ever done before. The beam went past him like a horse through a hedge. Afterwards they sat in the flour and laughed.`

	frost = `Chapter seven. [pause 1.2] Frost. [pause 1.3]
By November the ledger was full, and the road was white before the tide had touched it. They slept in the drying shed, four of them and the mule.
[whisper] Are you awake? [whisper] I am listening to the ice. It made a small sound, a long way off, like someone counting coins. In the morning the sea had gone further out than anyone had seen it go.`

	lowerGate = `Chapter eight. [pause 1.2] The Lower Gate. [pause 1.3]
I met them at the lower gate with the dog and the good coat. My niece had grown a head taller and had the look of a person who is owed money.
Did the road hold, I asked. It held for us, she said, and gave me the ledger to carry. It weighed as much as a cat.`

	firstPane = `Chapter one. [pause 1.2] The First Pane. [pause 1.3]
The orchard had a roof before it had a single tree. My grandfather bought the glass from a bankrupt station, and for nine years it leaned in the barn like a library.
Then he planted a pear, to have something to put under it. People came from as far as Quench to see a tree indoors.
They wiped their boots, and spoke in low voices, and asked whether it minded.`

	theFan = `Chapter two. [pause 1.2] The Fan. [pause 1.3]
Under glass the summer has nowhere to go. So he hung a fan from the ridge, as wide as a cart wheel, and hired a boy to turn it. I was the boy, and my wage was one pear in ten.
I learned to count by it, and to sleep by it, and to this day I cannot think in a quiet room. The pears did not care for either of us. They ripened on the one still day of the year.`
)
