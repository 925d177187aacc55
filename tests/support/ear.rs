//! Hears what is published on one topic of a broker on this machine.
//!
//! Must never give itself out before it is subscribed: what is published then would be missed.

#![allow(dead_code, missing_docs, unreachable_pub, clippy::unwrap_used)]

use std::net::SocketAddr;

use rumqttc::mqttbytes::QoS;
use rumqttc::{AsyncClient, Event, MqttOptions, Packet};
use serde_json::Value;
use tokio::sync::{mpsc, oneshot};

/// Every message on the topic from now on, as JSON.
pub async fn hears(address: SocketAddr, topic: String) -> mpsc::Receiver<Value> {
    // Of two clients with one id a broker keeps the newer one.
    let id = format!("ear-{}", topic.replace('/', "-"));
    let options = MqttOptions::new(id, (address.ip().to_string(), address.port()));
    let (client, mut events) = AsyncClient::builder(options).capacity(10).build();
    client.subscribe(topic, QoS::AtLeastOnce).await.unwrap();
    let (heard, ears) = mpsc::channel(100);
    let (ready, subscribed) = oneshot::channel();
    let mut ready = Some(ready);
    tokio::spawn(async move {
        let _client = client;
        while let Ok(event) = events.poll().await {
            match event {
                Event::Incoming(Packet::SubAck(_)) => drop(ready.take().map(|ready| ready.send(()))),
                Event::Incoming(Packet::Publish(message)) => {
                    let said = serde_json::from_slice(&message.payload).unwrap();
                    if heard.send(said).await.is_err() {
                        return;
                    }
                }
                _ => {}
            }
        }
    });
    subscribed.await.unwrap();
    ears
}
